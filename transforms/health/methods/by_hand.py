"""A rain gauge against the one that is read by hand beside it, over three weeks at a time.

Over weeks, two gauges side by side catch the same to within some 10% (WMO-No. 8, Guide to
Instruments and Methods of Observation, part I, chapter 6, from memory). Which of the two is wrong
does not show. The limits are common practice, no source.
"""

from __future__ import annotations

import polars as pl

from transforms.health.methods.clogged import SNOW_C
from transforms.health.methods.spans import checked_days, labeled, spans
from transforms.methods import calendar_day, cold
from transforms.methods.strips import HAND, WHOLE

FINDING = "hand gauge disagreement"
APART = 0.75  # share of the larger sum that the lesser must have
WEEKS_D = 21
WET_MM, WET_READINGS, WET_SUM_MM = 1.0, 4, 20.0
MOSTLY = 2 / 3  # of the wet readings in which it is the same gauge that caught less


def rain(
    weather_day: pl.DataFrame, weather_used_day: pl.DataFrame, farm: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Find weeks in which a station and the hand gauge differ; return the days checked too.

    ``weather_day`` has the station's own rain; ``weather_used_day`` what was read by hand, of days
    that the station recorded whole and without snow.
    """
    weeks = labeled(
        _weeks(weather_day, weather_used_day, farm), "station", "rain gauge", FINDING
    ).with_columns(compared_with=pl.lit(HAND))
    less = pl.min_horizontal("sum", "sum_other") < APART * pl.max_horizontal("sum", "sum_other")
    one_sided = pl.when(pl.col("sum") < pl.col("sum_other")).then("lower").otherwise("higher")
    numbers = (
        pl.col("first").min(),
        pl.col("compared_with").last(),
        pl.col("sum", "sum_other").sum(),
    )
    found = spans(weeks.filter(less & (one_sided >= MOSTLY)), WEEKS_D, numbers)
    return found.with_columns(
        from_day="first", ratio=pl.col("sum") / pl.col("sum_other").replace(0.0, None)
    ).drop("first", "sum", "sum_other"), checked_days(weeks, FINDING)


def _weeks(
    weather_day: pl.DataFrame, weather_used_day: pl.DataFrame, farm: pl.DataFrame
) -> pl.DataFrame:
    """Return the sums of both gauges in the weeks up to each reading, if enough of them are wet."""
    snow = pl.coalesce(pl.col("air_temp_min_c") <= SNOW_C, cold.cold_half(pl.col("day"), farm))
    own = weather_day.filter(
        (pl.col("rain_coverage") >= WHOLE)
        & (pl.col("rain_since_day").fill_null(pl.col("day")) == pl.col("day"))
        & (pl.col("gauge_heated").fill_null(False) | ~snow)
    ).select("station", "day", "rain_mm")
    read = weather_used_day.filter(pl.col("hand_mm").is_not_null()).select(
        "station", "hand_since_day", "hand_mm", read_day="day"
    )
    mine, theirs = pl.col("rain_mm"), pl.col("hand_mm")
    pairs = (
        calendar_day.each_day(read, "hand_since_day", "read_day")
        .join(own, on=["station", "day"], how="left")
        .group_by("station", "read_day", "hand_mm")
        .agg(mine.sum(), lacking=mine.null_count())
        .filter(pl.col("lacking") == 0)
    )
    wet = pl.max_horizontal(mine, theirs) >= WET_MM
    return (
        pairs.sort("station", "read_day")
        .rolling("read_day", period=f"{WEEKS_D}d", group_by="station")
        .agg(
            pl.col("read_day").min().alias("first"),
            sum=mine.sum(),
            sum_other=theirs.sum(),
            wet=wet.sum(),
            lower=(mine < theirs).filter(wet).mean(),
            higher=(mine > theirs).filter(wet).mean(),
        )
        .filter(
            (pl.col("wet") >= WET_READINGS) & (pl.max_horizontal("sum", "sum_other") >= WET_SUM_MM)
        )
        .rename({"read_day": "day"})
    )
