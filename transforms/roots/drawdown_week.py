"""A week's uptake by depth, over the days on which both strips have data."""

import polars as pl

from schemas import generated
from schemas.tables.roots.drawdown_week import TABLE

PART = "field season"
_KEY = ["field", "season", "strip", "depth_cm", "week_starts"]


def derive(drawdown_day: pl.DataFrame) -> pl.DataFrame:
    """One row a strip, depth and ISO week with a day of a season (``drawdown_day``).

    Only days that both strips have at that depth count, so the two strips' sums are of the same
    days. The error is the root of the sum of the days' squares.
    """
    counted = pl.col("both_strips") & pl.col("uptake_mm").is_not_null()
    uptake, error = pl.col("uptake_mm").filter(counted), pl.col("uptake_error_mm").filter(counted)
    weeks = (
        drawdown_day.filter(pl.col("season").is_not_null())
        .with_columns(pl.col("day").dt.truncate("1w").alias("week_starts"))
        .group_by(_KEY)
        .agg(
            pl.when(counted.any()).then(uptake.sum()).alias("uptake_mm"),
            pl.when(counted.any() & error.is_not_null().all())
            .then((error**2).sum().sqrt())
            .alias("uptake_error_mm"),
            pl.col("day").filter(counted).n_unique().cast(pl.Int64).alias("days"),
            pl.col("day").n_unique().cast(pl.Int64).alias("days_week"),
        )
        .with_columns((pl.col("days") / pl.col("days_week")).alias("coverage"))
        .with_columns((pl.col("coverage") < 1).alias("partial"))
        .with_columns(
            pl.when("partial")
            .then(
                pl.format("both strips have data on {} of {} days", "days", "days_week"),
            )
            .alias("reason")
        )
    )
    return generated.conform(weeks.sort(_KEY), TABLE)
