"""How deep the roots of a crop seeded before the winter may have come by the fall.

In the fall a small crop asks for so little water that its roots draw nothing that a sensor could
show, and the first uptake is seen when the winter is over. The front of winter wheat goes down by
about 1.2 mm a degree day above 0 degC (Kirkegaard and Lilley 2007, Australian Journal of
Agricultural Research 58, 303-315, doi:10.1071/AR06097): what the fall was warm enough for may have
been reached in it. Winter: ten days whose mean air temperature is below 0 degC.
"""

from __future__ import annotations

import polars as pl

from transforms.methods.calendar_day import OPEN_END
from transforms.methods.crop_days import emergence

FRONT_CM_C_D = 0.12
DORMANT_D = 10


def fall_reach(season: pl.DataFrame, weather_day: pl.DataFrame) -> pl.DataFrame:
    """By field and season: ``winter_to`` (last day of the winter) and ``fall_reach_cm``.

    Only seasons that stood through a winter. Days without a temperature add no heat.
    """
    temp = (
        weather_day.filter(pl.col("field").is_not_null())
        .group_by("field", "day")
        .agg(pl.col("air_temp_mean_c").mean())
        .sort("field", "day")
    )
    key = ["field", "season"]
    days = (
        season.select(*key, "harvested", emerges=emergence())
        .join(temp, on="field")
        .filter(
            pl.col("day").is_between(pl.col("emerges"), pl.col("harvested").fill_null(OPEN_END))
        )
        .sort(*key, "day")
        .with_columns(
            cold=(pl.col("air_temp_mean_c").rolling_mean(DORMANT_D, min_samples=DORMANT_D) < 0)
            .fill_null(False)
            .over(key)
        )
    )
    winter = (
        days.filter("cold")
        .group_by(key)
        .agg(winter_from=pl.col("day").min(), winter_to=pl.col("day").max())
    )
    return (
        days.join(winter, on=key)
        .filter(pl.col("day") < pl.col("winter_from"))
        .group_by(key)
        .agg(
            pl.col("winter_to").first(),
            fall_reach_cm=FRONT_CM_C_D * pl.col("air_temp_mean_c").clip(lower_bound=0.0).sum(),
        )
    )
