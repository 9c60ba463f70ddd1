"""stress_day: days on which the crop in a strip lacked water, in the week and since seeding.

A crop lacks water when it has taken up what is readily available: below 1 - p of the available capacity of its
root zone, p being the crop's depletion share (Allen et al. 1998, FAO Irrigation and Drainage Paper 56, chapter
8, Table 22; ``crop.depletion_share``). The root zone is taken as the layers of the probe, the same in both strips
(``profile_water_day``): while roots are shallow, stress begins earlier than is seen here, in both strips.
"""

import polars as pl

from schemas import generated
from schemas.tables.soil.stress_day import TABLE

PART = "field season"
PLACE = ["field", "strip"]
SEASON = [*PLACE, "season"]
WEEK = "7d"
LEAST_DEMAND_MM_D = 1.0  # as for the demand met (profile_water_day); common practice, no source


def derive(
    profile_water_day: pl.DataFrame,
    evaporation_day: pl.DataFrame,
    season: pl.DataFrame,
    crop: pl.DataFrame,
) -> pl.DataFrame:
    """One row a strip and day from seeding to harvest; none for a crop whose depletion share is not known.

    A day on which the crop's own demand is under ``LEAST_DEMAND_MM_D`` is none of stress: in winter, or
    before the crop covers the ground, little water is lacked.
    """
    grown = season.select("field", "season", "crop", "seeded").join(
        crop.select("crop", stress_level_share=1 - pl.col("depletion_share")).drop_nulls(),
        on="crop",
    )
    demand = (
        evaporation_day.drop_nulls("field")
        .group_by("field", "day")
        .agg(demand_mm=pl.col("basal_et_mm").mean())
    )
    asks = (pl.col("demand_mm") >= LEAST_DEMAND_MM_D).fill_null(True)
    share = pl.col("available_water_share")
    days = (
        profile_water_day.select(*SEASON, "day", "available_water_share")
        .join(grown, on=["field", "season"])
        .join(demand, on=["field", "day"], how="left")
        .with_columns(stress=(share < pl.col("stress_level_share")) & asks)
        .sort(*SEASON, "day")
    )
    if days.is_empty():
        return generated.empty(TABLE)
    week = days.rolling("day", period=WEEK, group_by=SEASON).agg(
        week_stress_d=pl.col("stress").sum().cast(pl.Int64),
        week_known_d=pl.col("stress").count().cast(pl.Int64),
    )
    since = (pl.col("day") - pl.col("seeded")).dt.total_days() + 1
    rows = days.join(week, on=[*SEASON, "day"], maintain_order="left").with_columns(
        season_stress_d=pl.col("stress").fill_null(False).cast(pl.Int64).cum_sum().over(SEASON),
        season_known_d=pl.col("stress").is_not_null().cast(pl.Int64).cum_sum().over(SEASON),
        since=since,
    )
    coverage = (pl.col("season_known_d") / pl.col("since")).clip(0, 1)
    return generated.conform(
        rows.with_columns(
            coverage=coverage,
            partial=coverage < 1,
            reason=pl.when(coverage < 1).then(
                pl.lit("the profile is not known on every day since seeding")
            ),
        ).select(TABLE.names),
        TABLE,
    ).sort(TABLE.key)
