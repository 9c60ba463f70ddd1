"""Puts readings into their table: new ones are added, the same are no-ops, contradictions are kept.

A reading is known by its key (instrument, depth, time); each value of it lands on its own. Where
two deliveries disagree the later received stands (within a delivery the later line), and the
earlier value is kept in ``superseded_reading``.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import duckdb
import polars as pl

from flows.derive import waiting_days
from flows.intake import flagged
from flows.intake.door.places import distinct_rows
from flows.intake.door.readings import TABLE_OF, UNCOUNTED
from flows.store import warehouse, wide_rows
from schemas import generated
from schemas.catalogue import TABLES
from schemas.quantities import Instrument, columns_of
from schemas.table import Table
from transforms.methods.calendar_day import day_of

STORED = 0  # the sequence number that stands for what the warehouse holds already


@dataclass(frozen=True, slots=True)
class Merged:
    """What became of the readings of each row.

    ``whole``: every row said something new; else ``rows``: ``seq``, ``line``, ``landed`` (whether
    the row did). ``values``: ``seq``, ``landed``, ``duplicate`` (numbers of values).
    """

    whole: bool
    rows: pl.DataFrame
    values: pl.DataFrame


def merge(
    con: duckdb.DuckDBPyConnection,
    kind: Instrument,
    new: pl.DataFrame,
    names: pl.DataFrame,
    farm: pl.DataFrame,
    *,
    withheld: bool = False,
) -> Merged:
    """Land readings of one kind of instrument, inside the caller's transaction.

    ``new``: as they came through the door (``Admitted.readings``); ``names``: ``seq`` and
    ``delivery``; ``withheld``: whether some values are not-a-number, because their network flagged
    them (see ``flagged``). Notes the days whose readings changed, and what was superseded.
    """
    table = TABLE_OF[kind]
    stored, onward = _stored(con, table, new), _onward(new, table)
    if withheld:
        stored = flagged.marked(con, table, stored)
    contested = None if onward and stored.is_empty() else _contested(new, stored, table)
    plain = new if contested is None else new.filter(~contested)
    landing = _named(plain.drop("line", "values"), names).drop("seq")
    if table.list_columns and not onward:  # a sensor a row: together what was measured together
        landing = wide_rows.bundled(wide_rows.single(landing, table), table)
    warehouse.insert_many(con, table, flagged.without(landing) if withheld else landing)
    changed = [plain.select(kind.value, "time")]
    values = [_all_landed(plain)]
    rows = [plain.select("seq", "line", landed=pl.lit(True))]
    if contested is not None:
        disputed = _named(new.filter(contested).drop("values"), names)
        resolved = _resolve(_entries(disputed, kind), stored, table)
        readings, superseded = resolved.readings, resolved.superseded
        if withheld:
            stored, readings, superseded = map(flagged.without, (stored, readings, superseded))
            superseded = superseded.filter(pl.col("value").is_not_null())  # it stood apart before
        _rewrite(con, table, readings, stored)
        warehouse.insert(con, TABLES["superseded_reading"], superseded)
        changed.append(resolved.readings.select(kind.value, "time"))
        values.append(resolved.values)
        rows.append(resolved.rows)
    _touch(con, kind, pl.concat(changed), farm)
    return Merged(contested is None, pl.concat(rows), pl.concat(values))


def _named(rows: pl.DataFrame, names: pl.DataFrame) -> pl.DataFrame:
    """Return rows with the ``delivery`` that brought each."""
    return rows.join(names, on="seq", how="left", maintain_order="left")


def _entries(rows: pl.DataFrame, kind: Instrument) -> pl.DataFrame:
    """Return rows as single readings with all columns of the kind."""
    table = TABLE_OF[kind]
    single = wide_rows.single(rows, table) if table.list_columns else rows
    absent = [c.name for c in columns_of(kind) if c.name not in rows.columns]
    return single.with_columns(pl.lit(None, pl.Float64).alias(name) for name in absent)


def _onward(new: pl.DataFrame, table: Table) -> bool:
    """Return whether each instrument's rows go on in time, so that no key comes twice."""
    onward = (pl.col("time").diff() > timedelta()).over(table.key[0]).fill_null(True)
    return bool(new.select(onward.all()).item())


def _contested(new: pl.DataFrame, stored: pl.DataFrame, table: Table) -> pl.Series | None:
    """Return the rows with a key that another row or the store has too; None where there is none.

    With them all rows of the same instrument and time: what stands together is settled together.
    """
    keys = new.select(table.key)
    if table.list_columns:
        keys = wide_rows.single(keys, table)
    twice = keys.is_duplicated()
    if not stored.is_empty():
        known = stored.select(*table.key, known=pl.lit(True))
        found = keys.join(known, on=table.key, how="left", maintain_order="left")
        twice |= found["known"].fill_null(False)
    if not twice.any():
        return None
    at = [table.key[0], "time"]
    together = keys.filter(twice).select(at).unique().with_columns(contested=pl.lit(True))
    found = new.select(at).join(together, on=at, how="left", maintain_order="left")
    return found["contested"].fill_null(False)


def _stored(con: duckdb.DuckDBPyConnection, table: Table, new: pl.DataFrame) -> pl.DataFrame:
    """Return the stored readings of the instruments and times of the new ones."""
    place = generated.quoted(table.key[0])
    spans = new.group_by(table.key[0]).agg(first=pl.col("time").min(), last=pl.col("time").max())
    ends = [spans["first"].min(), spans["last"].max()]
    within = (
        f"SEMI JOIN new_spans s ON t.{place} = s.{place} AND t.time BETWEEN s.first AND s.last "
        "WHERE t.time BETWEEN ? AND ?"
    )
    with warehouse.shown(con, new_spans=spans):
        some = f"SELECT 1 FROM {generated.store(table)} t {within} LIMIT 1"
        if not con.execute(some, ends).fetchall():
            return generated.empty(table)
        with warehouse.shown(con, new_times=new.select(table.key[0], "time")):
            found: pl.DataFrame = con.sql(
                f"SELECT * FROM (SELECT t.* FROM {table.name} t {within}) "
                f"SEMI JOIN new_times USING ({place}, time)",
                params=ends,
            ).pl()
    return generated.conform(found, table)


def _all_landed(plain: pl.DataFrame) -> pl.DataFrame:
    return plain.group_by("seq").agg(landed=pl.col("values").sum(), duplicate=pl.lit(0, pl.Int64))


@dataclass(frozen=True, slots=True)
class _Resolved:
    readings: pl.DataFrame
    superseded: pl.DataFrame
    rows: pl.DataFrame
    values: pl.DataFrame


def _resolve(new: pl.DataFrame, stored: pl.DataFrame, table: Table) -> _Resolved:
    """Decide value by value: first is new, the same is a duplicate, another supersedes."""
    keys = list(table.key)
    values = [column.name for column in columns_of(Instrument(table.key[0]))]
    stored = stored.with_columns(seq=pl.lit(STORED, pl.Int64), line=pl.lit(0, pl.Int64))
    both = pl.concat([stored.select(new.columns), new])
    cells = (
        both.unpivot(on=values, index=[*keys, "seq", "line", "delivery"], variable_name="column")
        .drop_nulls("value")
        .sort("seq", "line", maintain_order=True)
        .with_columns(
            before=pl.col("value").shift().over(*keys, "column"),
            delivery_before=pl.col("delivery").shift().over(*keys, "column"),
        )
        .with_columns(says_new=pl.col("before").is_null() | (pl.col("before") != pl.col("value")))
    )
    arrived = cells.filter(pl.col("seq") != STORED)
    contradicted = arrived.filter(pl.col("before").is_not_null() & pl.col("says_new"))
    return _Resolved(
        _standing(both, cells, table),
        _superseded(contradicted, table),
        _rows(new, arrived, stored, keys),
        _counts(arrived),
    )


def _rows(
    new: pl.DataFrame, arrived: pl.DataFrame, stored: pl.DataFrame, keys: list[str]
) -> pl.DataFrame:
    """Return which rows said something new; a row without values is new where its key is."""
    said = arrived.group_by("seq", "line").agg(pl.col("says_new").any())
    first = (
        new.join(stored.select(keys), on=keys, how="anti")
        .sort("seq", "line")
        .unique(keys, keep="first")
        .select("seq", "line", first=pl.lit(True))
        .unique()
    )
    return (
        new.select("seq", "line")
        .unique()
        .join(said, on=["seq", "line"], how="left")
        .join(first, on=["seq", "line"], how="left")
        .select(
            "seq",
            "line",
            landed=pl.col("says_new").fill_null(False) | pl.col("first").fill_null(False),
        )
    )


def _counts(arrived: pl.DataFrame) -> pl.DataFrame:
    return (
        arrived.filter(~pl.col("column").is_in(UNCOUNTED))
        .group_by("seq")
        .agg(
            landed=pl.col("says_new").sum().cast(pl.Int64),
            duplicate=(~pl.col("says_new")).sum().cast(pl.Int64),
        )
    )


def _standing(both: pl.DataFrame, cells: pl.DataFrame, table: Table) -> pl.DataFrame:
    """Return the readings to write: new keys, and stored ones of which something changed."""
    keys = list(table.key)
    last = (
        cells.group_by(*keys, "column", maintain_order=True)
        .agg(pl.col("value").last())
        .pivot(on="column", index=keys, values="value")
    )
    changing = cells.filter((pl.col("seq") != STORED) & pl.col("says_new"))
    by = changing.group_by(keys).agg(pl.col("delivery").last().alias("by"))
    known = both.filter(pl.col("seq") == STORED).select(*keys, was=pl.col("interval_s"))
    # Where a slow and a fast series share a stamp, the longer interval holds for the row: the
    # sums do not hang on it, and coverage never counts a covered hour as missing.
    base = both.group_by(keys).agg(
        pl.col("interval_s").max(), pl.col("delivery").last().alias("latest")
    )
    rows = (
        base.join(last, on=keys, how="left")
        .join(by, on=keys, how="left")
        .join(known, on=keys, how="left")
        .filter(
            pl.col("by").is_not_null()
            | pl.col("was").is_null()
            | (pl.col("was") != pl.col("interval_s"))
        )
        .with_columns(delivery=pl.coalesce("by", "latest"))
        .drop("by", "latest", "was")
    )
    return generated.conform(rows, table)


def _superseded(contradicted: pl.DataFrame, table: Table) -> pl.DataFrame:
    depth = pl.col("depth_cm") if "depth_cm" in table.key else pl.lit(-1.0)
    return generated.conform(
        contradicted.select(
            pl.col(table.key[0]).alias("instrument"),
            depth.alias("depth_cm"),
            "time",
            pl.col("column").alias("quantity_column"),
            pl.col("delivery_before").alias("delivery"),
            pl.col("delivery").alias("later_delivery"),
            pl.col("before").alias("value"),
            pl.col("value").alias("later_value"),
        ),
        TABLES["superseded_reading"],
    )


def _rewrite(
    con: duckdb.DuckDBPyConnection, table: Table, readings: pl.DataFrame, stored: pl.DataFrame
) -> None:
    """Replace the stored readings of the same keys, and add those that are not stored.

    What is stored of the same instrument and time beside them stays as it is.
    """
    if readings.is_empty():
        return
    at = [table.key[0], "time"]
    times = readings.select(at).unique()
    beside = stored.join(times, on=at, how="semi").join(readings, on=table.key, how="anti")
    place = generated.quoted(table.key[0])
    with warehouse.shown(con, new_times=times):
        con.execute(
            f"DELETE FROM {generated.store(table)} AS t USING new_times AS n "
            f"WHERE t.{place} = n.{place} AND t.time = n.time "
            "AND t.time BETWEEN (SELECT min(time) FROM new_times) AND (SELECT max(time) FROM new_times)"
        )
    warehouse.insert(con, table, pl.concat([readings, beside]))


def _touch(
    con: duckdb.DuckDBPyConnection, kind: Instrument, times: pl.DataFrame, farm: pl.DataFrame
) -> None:
    days = times.select(
        pl.col(kind.value).alias("instrument"),
        pl.lit(kind.value).alias("kind"),
        day_of(pl.col("time"), farm).alias("day"),
    )
    waiting_days.touch(con, distinct_rows(days))
