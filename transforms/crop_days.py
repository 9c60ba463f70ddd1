"""Which crop stood on which day."""

from __future__ import annotations

import polars as pl

OPEN = pl.date(9999, 12, 31)


def with_season(rows: pl.DataFrame, season: pl.DataFrame) -> pl.DataFrame:
    """Adds ``season`` (harvest year, null between harvest and seeding) to rows of field and day.

    A day on which two seasons of a field overlap belongs to the one seeded later.
    """
    standing = (
        rows.select("field", "day")
        .unique()
        .join(season.select("field", "season", "seeded", "harvested"), on="field")
        .filter(
            (pl.col("day") >= pl.col("seeded"))
            & (pl.col("day") <= pl.col("harvested").fill_null(OPEN))
        )
        .sort("field", "day", "seeded")
        .unique(["field", "day"], keep="last", maintain_order=True)
        .select("field", "day", "season")
    )
    return rows.join(standing, on=["field", "day"], how="left")
