"""measuring_day: whether a field's soil is right for the penetrometer and for measuring infiltration."""

import polars as pl

from schemas import generated
from schemas.tables.soil.measuring_day import TABLE

# A week back at the most.
PART = "field year"
MARGIN_MONTHS = (1, 0)
# Cone index is comparable only near field capacity (ASABE EP542; from memory).
MOIST = 0.7
# Rain of two days that still fills the pores in which infiltration is measured. Common practice, no source.
WET_MM = 5.0
WEEK = 7  # days that a share stands for, back from the day
PLACE = ["field", "day"]


def derive(profile_water_day: pl.DataFrame, rain_day: pl.DataFrame) -> pl.DataFrame:
    """One row a field and day on which a probe or a gauge says something, in a season or not."""
    shares = (
        profile_water_day.drop_nulls("available_water_share")
        .group_by(PLACE)
        .agg(pl.col("available_water_share").min())
    )
    rain = rain_day.drop_nulls("field").group_by(PLACE).agg(pl.col("rain_mm").mean())
    days = (
        pl.concat([shares.select(PLACE), rain.select(PLACE)])
        .unique()
        .join(shares, on=PLACE, how="left")
        .join(rain, on=PLACE, how="left")
        .sort(PLACE)
    )
    if days.is_empty():
        return generated.empty(TABLE)
    known_on = pl.when(pl.col("available_water_share").is_not_null()).then("day")
    days = days.with_columns(
        known_on=known_on.forward_fill().over("field"),
        last=pl.col("available_water_share").forward_fill().over("field"),
    ).with_columns(
        available_water_share=pl.when(
            (pl.col("day") - pl.col("known_on")).dt.total_days() <= WEEK
        ).then("last")
    )
    # Added up pair by pair: a running sum would drift by where it began.
    after = (pl.col("day").shift(1).over("field") == pl.col("day").dt.offset_by("-1d")).fill_null(
        False
    )
    before = pl.when(after).then(pl.col("rain_mm").shift(1).over("field"))
    rows = days.with_columns(before=before).with_columns(
        known=pl.sum_horizontal(pl.col("rain_mm", "before").is_not_null()),
        rain_two_days_mm=pl.sum_horizontal("rain_mm", "before"),
    )
    rows = rows.with_columns(
        rain_two_days_mm=pl.when(pl.col("known") > 0).then("rain_two_days_mm"),
        coverage=pl.col("known") / 2,
    )
    return generated.conform(
        rows.with_columns(
            moist=pl.col("available_water_share") >= MOIST,
            not_wet=pl.col("rain_two_days_mm") < WET_MM,
            partial=pl.col("coverage") < 1,
            reason=pl.when(pl.col("coverage") < 1).then(
                pl.lit("the rain of one or both days is not known")
            ),
        ).select(TABLE.names),
        TABLE,
    ).sort(TABLE.key)
