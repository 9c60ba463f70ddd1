"""What a layer held in a month: usable days, their median, and the driest and wettest weeks.

A limit is read from a week that held, not from a day: the lowest content that no day of a week was
above, and the highest that none was below. A week that began in the month before belongs to the
month in which it ends; it has no gap.
"""

import polars as pl

from schemas import generated
from schemas.tables.soil.soil_month import TABLE
from transforms.soil.methods.layer_record import LAYER, stretches, with_content

PART = "probe year"
MARGIN_MONTHS = 1  # the week before a year, a neighbor beside it

SUSTAINED_DAYS = 7


def derive(
    soil_day: pl.DataFrame, soil_quality_day: pl.DataFrame, soil_offset: pl.DataFrame
) -> pl.DataFrame:
    """One row a layer and month. Water contents in %."""
    v = pl.col("vwc_pct")
    rows = stretches(with_content(soil_day, soil_quality_day, soil_offset)).with_columns(
        dry=v.rolling_max(SUSTAINED_DAYS).over("stretch"),
        wet=v.rolling_min(SUSTAINED_DAYS).over("stretch"),
    )
    months = rows.group_by(*LAYER, pl.col("day").dt.truncate("1mo")).agg(
        days=v.count().cast(pl.Int64),
        median_pct=pl.col("smooth_pct").median(),
        lowest_week_pct=pl.col("dry").min(),
        highest_week_pct=pl.col("wet").max(),
        coverage=v.is_not_null().mean(),
    )
    months = months.with_columns(
        partial=pl.col("coverage") < 1,
        reason=pl.when(pl.col("coverage") == 0)
        .then(pl.lit("no usable water content in the month"))
        .when(pl.col("coverage") < 1)
        .then(pl.lit("some days have no usable water content")),
    )
    return generated.conform(months.select(TABLE.names), TABLE).sort(TABLE.key)
