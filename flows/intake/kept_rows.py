"""The readings of a delivery that cannot be read again: set aside, and put back in its place.

A row of the warehouse names the delivery that changed it last. Where that is another one, the
values that only the kept delivery's layout has are its own, and so are those that were superseded.
Rows of an instrument that has another name today go to that one.
"""

from __future__ import annotations

from dataclasses import dataclass

import duckdb
import polars as pl

from flows.farm.instrument_names import by_word, folded
from flows.intake import merge
from flows.intake.door.batch import TABLE_OF
from flows.store import warehouse, wide_rows
from schemas import generated
from schemas.catalogue import TABLES
from schemas.farm.farm import Farm
from schemas.quantities import BY_NAME, Instrument, columns_of


@dataclass(frozen=True, slots=True)
class Cause:
    """Why a delivery cannot be read again."""

    cause: str
    found: str
    expected: str

    @property
    def reason(self) -> str:
        """Return it as the reason of the delivery."""
        return (
            f"{self.cause}: found {self.found}; expected {self.expected}; "
            "its earlier readings stand"
        )


@dataclass(frozen=True, slots=True)
class KeptRows:
    """One delivery's readings by kind of instrument, and why it cannot be read again."""

    sequence: int
    delivery: str
    cause: Cause
    readings: dict[Instrument, pl.DataFrame]
    today: dict[Instrument, dict[str, str]]

    def put_back(self, con: duckdb.DuckDBPyConnection) -> None:
        """Land the readings again as they were, and note the cause, in the caller's transaction."""
        names = pl.DataFrame({"seq": [self.sequence], "delivery": [self.delivery]})
        farm = warehouse.read(con, TABLES["farm"])
        for kind, rows in self.readings.items():
            if not rows.is_empty():
                again = rows.with_columns(
                    seq=pl.lit(self.sequence, pl.Int64),
                    line=pl.int_range(1, pl.len() + 1, dtype=pl.Int64),
                    values=pl.lit(0, pl.Int64),
                )
                merge.merge(con, kind, again, names, farm)
        for kind, names_today in self.today.items():
            for old, new in names_today.items():
                self._rename(con, kind, old, new)
        self._note(con)

    def _rename(self, con: duckdb.DuckDBPyConnection, kind: Instrument, old: str, new: str) -> None:
        """Bring what is noted of the delivery under an instrument's name of today."""
        side = "depth_cm < 0" if kind is Instrument.STATION else "depth_cm >= 0"
        con.execute(
            f"UPDATE flagged_reading SET instrument = ? WHERE delivery = ? AND instrument = ? AND {side}",
            [new, self.delivery, old],
        )
        con.execute(
            """
            INSERT INTO delivery_instrument
            SELECT * REPLACE (? AS instrument) FROM delivery_instrument o
            WHERE sequence = ? AND kind = ? AND instrument = ? AND NOT EXISTS (
                FROM delivery_instrument n
                WHERE n.sequence = o.sequence AND n.kind = o.kind AND n.instrument = ?
            )
            """,
            [new, self.sequence, kind.value, old, new],
        )
        con.execute(
            "DELETE FROM delivery_instrument WHERE sequence = ? AND kind = ? AND instrument = ?",
            [self.sequence, kind.value, old],
        )

    def _note(self, con: duckdb.DuckDBPyConnection) -> None:
        con.execute(
            "UPDATE delivery SET reason = ? WHERE sequence = ?", [self.cause.reason, self.sequence]
        )
        con.execute(
            "DELETE FROM quarantine WHERE delivery = ? AND line = 0 AND column_name = ''",
            [self.delivery],
        )
        con.execute(
            """
            INSERT INTO quarantine
                (delivery, line, column_name, source, name, extent, cause, found, expected)
            SELECT delivery, 0, '', source, name, 'delivery', ?, ?, ?
            FROM delivery WHERE sequence = ?
            """,
            [self.cause.cause, self.cause.found, self.cause.expected, self.sequence],
        )


def of(con: duckdb.DuckDBPyConnection, farm: Farm, sequence: int, cause: Cause) -> KeptRows:
    """Return what the warehouse holds of a delivery's readings."""
    ((delivery,),) = con.execute(
        "SELECT delivery FROM delivery WHERE sequence = ?", [sequence]
    ).fetchall()
    today = {kind: _names_today(con, farm, kind, sequence) for kind in Instrument}
    readings = {
        kind: _own_rows(con, farm, kind, sequence).with_columns(
            pl.col(kind.value).replace(today[kind])
        )
        for kind in Instrument
    }
    return KeptRows(sequence, delivery, cause, readings, today)


def _names_today(
    con: duckdb.DuckDBPyConnection, farm: Farm, kind: Instrument, sequence: int
) -> dict[str, str]:
    """Return the instruments of a delivery that have another name in farm.toml: old to new."""
    words = by_word(farm.stations if kind is Instrument.STATION else farm.probes)
    found = con.execute(
        "SELECT instrument FROM delivery_instrument WHERE sequence = ? AND kind = ?",
        [sequence, kind.value],
    ).fetchall()
    today = {name: words.get(folded(name), name) for (name,) in found}
    return {old: new for old, new in today.items() if new != old}


def _own_rows(
    con: duckdb.DuckDBPyConnection, farm: Farm, kind: Instrument, sequence: int
) -> pl.DataFrame:
    table = TABLE_OF[kind]
    rows: pl.DataFrame = con.sql(
        f"""
        SELECT r.*, d.delivery = r.delivery AS own, d.layout AS layout, l.layout AS later_layout
        FROM {table.name} r
        JOIN delivery d ON d.sequence = ? AND r.time BETWEEN d.first_reading AND d.last_reading
        SEMI JOIN delivery_instrument i
            ON i.sequence = d.sequence AND i.kind = '{kind.value}'
            AND i.instrument = r.{generated.quoted(kind.value)}
        LEFT JOIN delivery l ON l.delivery = r.delivery
        """,
        params=[sequence],
    ).pl()
    everything = {column.name for column in columns_of(kind)}
    frames = [rows.filter("own")]
    for (layout, later), part in rows.filter(~pl.col("own")).group_by("layout", "later_layout"):
        only = (_columns(farm, layout) or everything) - (_columns(farm, later) or everything)
        only &= everything
        if only:
            gone = [pl.lit(None, pl.Float64).alias(name) for name in sorted(everything - only)]
            some = pl.any_horizontal(pl.col(name).is_not_null() for name in sorted(only))
            frames.append(part.filter(some).with_columns(gone))
    found = pl.concat(frames).drop("own", "layout", "later_layout")
    both = [generated.conform(one, table) for one in (_superseded(con, kind, sequence), found)]
    own = pl.concat(both).drop("delivery")
    return wide_rows.bundled(own, table) if table.list_columns else own


def _superseded(con: duckdb.DuckDBPyConnection, kind: Instrument, sequence: int) -> pl.DataFrame:
    """Return the values of a delivery that a later one superseded, a row for each reading."""
    table = TABLE_OF[kind]
    depth = "r.depth_cm" if "depth_cm" in table.key else "-1"
    keys = [*table.key, "interval_s"]
    values: pl.DataFrame = con.sql(
        f"""
        SELECT {", ".join(f"r.{generated.quoted(key)}" for key in keys)},
            s.quantity_column, s.value
        FROM superseded_reading s
        JOIN delivery d ON d.delivery = s.delivery AND s.later_delivery <> s.delivery
        JOIN {table.name} r ON r.{generated.quoted(kind.value)} = s.instrument
            AND {depth} = s.depth_cm AND r.time = s.time
        WHERE d.sequence = ?
        """,
        params=[sequence],
    ).pl()
    return values.pivot("quantity_column", index=keys, values="value", aggregate_function="last")


def _columns(farm: Farm, layout: object) -> set[str]:
    """Return the columns of readings that a layout names; empty if there is no such layout."""
    rules = farm.layouts[str(layout)].columns.values() if str(layout) in farm.layouts else ()
    return {BY_NAME[rule.quantity].column.name for rule in rules if rule.quantity in BY_NAME}
