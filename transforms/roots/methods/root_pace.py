"""How deep roots can have come by a day, from the heat of the days before.

``FASTEST_CM_C_D``: the fastest front that we know of is that of fodder radish, 2.3 mm a degree day above
0 degC (Thorup-Kristensen 2001, Plant and Soil 230, 185-195; from memory); cereals have about half
of it (Kirkegaard and Lilley 2007). It is counted from seeding, though roots wait for water and
germination, so that it is a bound and not an estimate.
"""

import polars as pl

from transforms.methods import calendar_day
from transforms.methods.crop_days import emergence

FASTEST_CM_C_D = 0.23
UNKNOWN_C = 20.0  # air temperature taken for a day without one: roots may have come as fast
# The front of winter wheat's roots in the fall, by degree days above 0 degC (Kirkegaard and Lilley
# 2007, Australian Journal of Agricultural Research 58, 303-315, doi:10.1071/AR06097).
FRONT_CM_C_D = 0.12
DORMANT_D = 10  # winter: so many days whose mean air temperature is below 0 degC

SEASON = ["field", "season"]


def _season_days(season: pl.DataFrame, weather_day: pl.DataFrame, begins: pl.Expr) -> pl.DataFrame:
    """Every day of each season from ``begins`` to harvest (or the field's last day with weather).

    Columns: field, season, day, ``emerges`` and ``temp_c``, the mean air temperature of the field's
    stations (null where there is none).
    """
    temp = (
        weather_day.filter(pl.col("field").is_not_null())
        .group_by("field", "day")
        .agg(temp_c=pl.col("air_temp_mean_c").mean())
    )
    newest = temp.group_by("field").agg(newest=pl.col("day").max())
    seasons = season.select(*SEASON, "harvested", begins=begins).join(
        newest, on="field", how="left"
    )
    days = calendar_day.each_day(seasons, "begins", pl.coalesce("harvested", "newest"))
    return (
        days.select(*SEASON, "day")
        .join(season.select(*SEASON, emerges=emergence()), on=SEASON)
        .join(temp, on=["field", "day"], how="left")
        .sort(*SEASON, "day")
    )


def first_possible(
    depths: pl.DataFrame, season: pl.DataFrame, weather_day: pl.DataFrame
) -> pl.DataFrame:
    """The first day on which roots can have come to a depth: ``possible_from``.

    ``depths`` has field, season and ``depth_cm`` (more columns are kept). Never before emergence,
    nor before the fastest front that is known was there, days without a temperature taken as warm;
    the day of emergence where no front of the season can have come as deep.
    """
    heat = _season_days(season, weather_day, pl.col("seeded")).with_columns(
        reach_cm=FASTEST_CM_C_D
        * pl.col("temp_c").fill_null(UNKNOWN_C).clip(lower_bound=0.0).cum_sum().over(SEASON)
    )
    known = season.select(*SEASON, up=emergence())
    fast = (
        depths.select(*SEASON, "depth_cm")
        .unique()
        .join(heat, on=SEASON)
        .filter(pl.col("reach_cm") >= pl.col("depth_cm"))
        .group_by(*SEASON, "depth_cm")
        .agg(fast=pl.col("day").min())
    )
    return (
        depths.join(fast, on=[*SEASON, "depth_cm"], how="left")
        .join(known, on=SEASON, how="left")
        .with_columns(possible_from=pl.max_horizontal("fast", "up"))
        .drop("fast", "up")
    )


def fall_reach(season: pl.DataFrame, weather_day: pl.DataFrame) -> pl.DataFrame:
    """By field and season: ``winter_to`` (last day of the winter) and ``fall_reach_cm``.

    How deep the roots of a crop seeded before the winter may have come by the fall, in which a small
    crop asks for so little water that its roots draw nothing that a sensor could show. Only seasons
    that stood through a winter. Days without a temperature add no heat.
    """
    days = (
        _season_days(season, weather_day, emergence())
        .filter(pl.col("temp_c").is_not_null())
        .with_columns(
            cold=(pl.col("temp_c").rolling_mean(DORMANT_D, min_samples=DORMANT_D) < 0)
            .fill_null(False)
            .over(SEASON)
        )
    )
    winter = (
        days.filter("cold")
        .group_by(SEASON)
        .agg(winter_from=pl.col("day").min(), winter_to=pl.col("day").max())
    )
    return (
        days.join(winter, on=SEASON)
        .filter(pl.col("day") < pl.col("winter_from"))
        .group_by(SEASON)
        .agg(
            pl.col("winter_to").first(),
            fall_reach_cm=FRONT_CM_C_D * pl.col("temp_c").clip(lower_bound=0.0).sum(),
        )
    )
