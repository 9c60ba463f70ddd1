"""Snow on the ground, and the cold half of the year: what hides rain and water from the instruments.

Snow needs depth and cold. A depth sensor without snow below it reports some millimetres of noise,
and the stubble or the crop that grows up to it: less than ``LEAST_SNOW_CM`` is no snow, and none
lies where both the day and the week up to it were warmer than ``WARM_C``: a week at 5 degC melts
some 140 mm of water, a settled pack of 40 cm (degree-day factors of 2 to 6 mm per degC and day:
Hock 2003, Journal of Hydrology 282, 104-115; from memory). The least depth is the accuracy of an
ultrasonic sensor, 1 to 2 cm; common practice, no source. Where no temperature is known, the cold
half of the year replaces the cold.
"""

import polars as pl

LEAST_SNOW_CM = 2.0
WARM_C = 5.0
WEEK = "7d"
# The months in which soil freezes and snow lies in the grain belts; common practice, no source.
COLD_MONTHS = (11, 12, 1, 2, 3, 4)
COLD_MONTHS_SOUTH = (5, 6, 7, 8, 9, 10)
TROPIC_DEG = 25.0  # nearer to the equator there is no cold half


def cold_half(day: pl.Expr, farm: pl.DataFrame) -> pl.Expr:
    """Return whether days lie in the cold half of the year at the farm's latitude.

    At a farm without a place any day may.
    """
    latitude = farm["latitude_deg"].item() if farm.height else 90.0
    if latitude is None:
        return pl.lit(True)
    months = COLD_MONTHS_SOUTH if latitude < 0 else COLD_MONTHS
    return day.dt.month().is_in(months) & pl.lit(abs(latitude) >= TROPIC_DEG)


def with_cold(weather_day: pl.DataFrame, farm: pl.DataFrame) -> pl.DataFrame:
    """Add ``cold`` to rows of ``weather_day``: whether snow can lie that day."""
    week = (
        pl.col("air_temp_mean_c")
        .rolling_mean_by("day", window_size=WEEK)
        .over("station", order_by="day")
    )
    cold = pl.min_horizontal("air_temp_mean_c", week) <= WARM_C
    return weather_day.with_columns(cold=pl.coalesce(cold, cold_half(pl.col("day"), farm)))


def with_snow(weather_day: pl.DataFrame, farm: pl.DataFrame) -> pl.DataFrame:
    """Add ``snow`` to rows of ``weather_day``: whether snow lies; null without a depth of snow."""
    deep = pl.col("snow_depth_cm") >= LEAST_SNOW_CM
    return with_cold(weather_day, farm).with_columns(snow=deep & pl.col("cold")).drop("cold")
