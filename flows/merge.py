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

from flows import touched, warehouse
from schemas import made
from schemas.catalogue import TABLES
from schemas.quantities import Instrument, columns_of
from schemas.table import Table
from transforms.calendar_day import day_of

# What a layout says beside a value is no value of its own.
UNCOUNTED = "rain_counter_rolls_at_mm"
STORED = 0  # the sequence number that stands for what the warehouse holds already


@dataclass(frozen=True, slots=True)
class Merged:
    """What became of the readings of each row.

    ``rows``: ``seq``, ``line``, ``landed`` (whether the row said anything new). ``values``:
    ``seq``, ``landed``, ``duplicate`` (numbers of values).
    """

    rows: pl.DataFrame
    values: pl.DataFrame


def merge(
    con: duckdb.DuckDBPyConnection,
    kind: Instrument,
    new: pl.DataFrame,
    names: pl.DataFrame,
    farm: pl.DataFrame,
) -> Merged:
    """Land readings of one kind of instrument, inside the caller's transaction.

    ``new``: columns of the reading table (those that came) with ``seq`` and ``line``; ``names``:
    ``seq`` and ``delivery``. Notes the days whose readings changed, and what was superseded.
    """
    table = TABLES["weather_reading" if kind is Instrument.STATION else "soil_reading"]
    values = [column.name for column in columns_of(kind) if column.name in new.columns]
    keys = list(table.key)
    new = new.select(*keys, "interval_s", *values, "seq", "line").join(
        names, on="seq", how="left", maintain_order="left"
    )
    stored = _stored(con, table, new)
    contested = _contested(new, stored, keys)
    plain = new if contested is None else new.filter(~contested)
    warehouse.insert_many(con, table, plain.drop("seq", "line"))
    changed = [plain.select(keys)]
    outcome = [_all_landed(plain, values)]
    if contested is not None:
        every = [column.name for column in columns_of(kind)]
        whole = new.filter(contested).with_columns(
            pl.lit(None, pl.Float64).alias(v) for v in every if v not in values
        )
        resolved = _resolve(whole, stored, table, every)
        _rewrite(con, table, resolved.readings)
        warehouse.insert(con, TABLES["superseded_reading"], resolved.superseded)
        changed.append(resolved.readings.select(keys))
        outcome.append(resolved.merged)
    _touch(con, kind, pl.concat(changed), farm)
    return Merged(pl.concat(m.rows for m in outcome), pl.concat(m.values for m in outcome))


def _contested(new: pl.DataFrame, stored: pl.DataFrame, keys: list[str]) -> pl.Series | None:
    """Which rows have a key that another row or the store has too; None where none has."""
    place = [key for key in keys if key != "time"]
    onward = pl.col("time").diff().over(place) > timedelta()
    ordered = new.select(onward.fill_null(True).all()).item()  # then no key comes twice
    if ordered and stored.is_empty():
        return None
    contested = pl.Series([False]).new_from_index(0, new.height)
    if not ordered:
        contested = new.select(keys).is_duplicated()
    if not stored.is_empty():
        known = stored.select(*keys, known=pl.lit(True))
        found = new.select(keys).join(known, on=keys, how="left", maintain_order="left")
        contested |= found["known"].fill_null(False)
    return contested if contested.any() else None


def _stored(con: duckdb.DuckDBPyConnection, table: Table, new: pl.DataFrame) -> pl.DataFrame:
    """The stored readings with the keys of the new ones (looked up within their span of time)."""
    first, last = new["time"].min(), new["time"].max()
    names = new[table.key[0]].unique().to_list()
    within = (
        f"FROM {table.name} WHERE time BETWEEN ? AND ? "
        f"AND {made.quoted(table.key[0])} IN (SELECT unnest(?))"
    )
    some = con.execute(f"SELECT 1 {within} LIMIT 1", [first, last, names]).fetchall()
    if not some:
        return made.empty(table)
    keys = ", ".join(made.quoted(k) for k in table.key)
    con.register("new_keys", new.select(table.key))
    try:
        found: pl.DataFrame = con.sql(
            f"SELECT * FROM (SELECT * {within}) SEMI JOIN new_keys USING ({keys})",
            params=[first, last, names],
        ).pl()
    finally:
        con.unregister("new_keys")
    return made.conform(found, table)


def _all_landed(plain: pl.DataFrame, values: list[str]) -> Merged:
    return Merged(
        plain.select("seq", "line", landed=pl.lit(True)),
        plain.group_by("seq").agg(
            landed=pl.sum_horizontal(pl.col(v).count() for v in values if v != UNCOUNTED).cast(
                pl.Int64
            ),
            duplicate=pl.lit(0, pl.Int64),
        ),
    )


@dataclass(frozen=True, slots=True)
class _Resolved:
    readings: pl.DataFrame
    superseded: pl.DataFrame
    merged: Merged


def _resolve(new: pl.DataFrame, stored: pl.DataFrame, table: Table, values: list[str]) -> _Resolved:
    """Decide value by value: first is new, the same is a duplicate, another supersedes."""
    keys = list(table.key)
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
        Merged(_rows(new, arrived, stored, keys), _counts(arrived)),
    )


def _rows(
    new: pl.DataFrame, arrived: pl.DataFrame, stored: pl.DataFrame, keys: list[str]
) -> pl.DataFrame:
    """Which rows said something new; a row without values is new where its key is."""
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
        arrived.filter(pl.col("column") != UNCOUNTED)
        .group_by("seq")
        .agg(
            landed=pl.col("says_new").sum().cast(pl.Int64),
            duplicate=(~pl.col("says_new")).sum().cast(pl.Int64),
        )
    )


def _standing(both: pl.DataFrame, cells: pl.DataFrame, table: Table) -> pl.DataFrame:
    """The readings that have to be written: new keys, and stored ones of which something changed."""
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
    return made.conform(rows, table)


def _superseded(contradicted: pl.DataFrame, table: Table) -> pl.DataFrame:
    depth = pl.col("depth_cm") if "depth_cm" in table.key else pl.lit(-1.0)
    return made.conform(
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


def _rewrite(con: duckdb.DuckDBPyConnection, table: Table, readings: pl.DataFrame) -> None:
    """Replace the stored readings of the same keys, and add those that are not stored."""
    if readings.is_empty():
        return
    same = " AND ".join(f"t.{made.quoted(k)} = n.{made.quoted(k)}" for k in table.key)
    con.register("new_keys", readings.select(table.key))
    try:
        con.execute(
            f"DELETE FROM {table.name} AS t USING new_keys AS n WHERE {same} "
            "AND t.time BETWEEN (SELECT min(time) FROM new_keys) AND (SELECT max(time) FROM new_keys)"
        )
    finally:
        con.unregister("new_keys")
    warehouse.insert(con, table, readings)


def _touch(
    con: duckdb.DuckDBPyConnection, kind: Instrument, keys: pl.DataFrame, farm: pl.DataFrame
) -> None:
    days = keys.select(
        pl.col(kind.value).alias("instrument"),
        pl.lit(kind.value).alias("kind"),
        day_of(pl.col("time"), farm).alias("day"),
    ).unique()
    touched.touch(con, days)
