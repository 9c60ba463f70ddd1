"""Readings whose key comes more than once: decided value by value, the later received stands."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from flows.intake.door.batch import UNCOUNTED
from schemas import generated
from schemas.catalogue import TABLES
from schemas.quantities import Instrument, columns_of
from schemas.table import Table

STORED = 0  # the sequence number that stands for what the warehouse holds already
CONTRADICTED = pl.Schema({"seq": pl.Int64(), "values": pl.Int64(), "times": pl.Int64()})


@dataclass(frozen=True, slots=True)
class Resolved:
    """What stands of contested readings, what was superseded, and what became of each row."""

    readings: pl.DataFrame
    superseded: pl.DataFrame
    rows: pl.DataFrame
    values: pl.DataFrame
    contradicted: pl.DataFrame


def resolve(new: pl.DataFrame, stored: pl.DataFrame, table: Table) -> Resolved:
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
    return Resolved(
        _standing(both, cells, table),
        _superseded(contradicted, table),
        _rows(new, arrived, stored, keys),
        _counts(arrived),
        _within(contradicted, table),
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


def _within(contradicted: pl.DataFrame, table: Table) -> pl.DataFrame:
    """Count the values that contradict another line of their own delivery."""
    return (
        contradicted.filter(
            (pl.col("delivery_before") == pl.col("delivery")) & ~pl.col("column").is_in(UNCOUNTED)
        )
        .group_by("seq")
        .agg(
            values=pl.len().cast(pl.Int64),
            times=pl.struct(table.key[0], "time").n_unique().cast(pl.Int64),
        )
        .match_to_schema(CONTRADICTED)
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
