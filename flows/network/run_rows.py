"""The record of rounds, ``network_run``: rows that say something new of their farm, for 90 days."""

from __future__ import annotations

from datetime import datetime, timedelta

import polars as pl

from schemas import generated
from schemas.catalogue import NETWORK

TABLE = NETWORK["network_run"]
KEPT = timedelta(days=90)
WELL = ["quiet", "done"]


def news(before: pl.DataFrame, runs: pl.DataFrame | None) -> pl.DataFrame:
    """Return the rows of a round that say something else of their farm than its row before.

    That nothing is new is no news after a turn that went well, nor what was told already: so a round in
    which nothing happens makes no snapshot, and the record does not grow with the rounds.
    """
    if runs is None or runs.is_empty():
        return generated.empty(TABLE)
    last = before.sort("started_at").unique("farm", keep="last", maintain_order=True)
    new = generated.conform(runs, TABLE)
    both = new.join(
        last.select("farm", was="state", said="summary"),
        on="farm",
        how="left",
        maintain_order="left",
    )
    state, was = pl.col("state"), pl.col("was")
    again = (state == was) & pl.col("summary").eq_missing(pl.col("said"))
    known = again | ((state == "quiet") & was.is_in(WELL))
    return both.filter(~known.fill_null(value=False)).select(new.columns)


def kept(before: pl.DataFrame, new: pl.DataFrame, now: datetime) -> pl.DataFrame:
    """Return both together without what is old; the last row of a farm is kept however old."""
    start = pl.col("started_at")
    recent = before.filter((start > now - KEPT) | (start == start.max().over("farm")))
    return pl.concat([recent, new]).unique(TABLE.key, keep="last").sort(TABLE.key)


def failing(runs: pl.DataFrame) -> pl.DataFrame:
    """Return the farms whose last row is a fault: what it says, and ``since``, the first since all was well."""
    well = (
        runs.filter(pl.col("state").is_in(WELL))
        .group_by("farm")
        .agg(well=pl.col("started_at").max())
    )
    bad = runs.join(well, on="farm", how="left").filter(
        pl.col("well").is_null() | (pl.col("started_at") > pl.col("well"))
    )
    ends = pl.col("state", "summary", "worker", "round").last()
    since = pl.col("started_at").first().alias("since")
    return bad.sort("started_at").group_by("farm").agg(ends, since).sort("since", "farm")
