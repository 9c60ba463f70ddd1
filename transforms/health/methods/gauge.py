"""A rain gauge against its own station: does it catch on the days that look like rain?

Humid and dark days are rainy on most of them. How often this gauge caught a millimetre on such days
is its own habit; the binomial distribution gives the chance of a run of such days on which it
caught nothing. It needs no second station, and shows both gauges of a trial that are blocked alike.
Where the gauge has no habit yet, the normal is used: ten such days, next to nothing caught, and a
tenth of the normal rain. Limits are common practice, no source.
"""

from __future__ import annotations

from math import comb

import polars as pl

from transforms.health.methods.spans import WHO, checked_days, labeled, spans
from transforms.methods.penman import extraterrestrial, mean_saturation, saturation

HUMID_PCT, DARK = 85.0, 0.35
CAUGHT_MM = 1.0
SNOW_C = 1.0
WHOLE = 0.9
RUN = 10  # rainy-looking days that are judged together
LONGEST_RUN_D = 150
HABIT_DAYS = 25
LEAST_HABIT = 0.35
CHANCE = 1e-4
NO_HABIT_CAUGHT, NORMAL_SHARE, NORMAL_LEAST_MM = 1, 0.1, 60.0


def dry_gauges(
    weather_day: pl.DataFrame, normal_day: pl.DataFrame, farm: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Find gauges that catch nothing on days that look like rain; return the days checked too."""
    days = _rainy(weather_day, farm)
    runs = days.with_columns(
        caught_run=pl.col("caught").rolling_sum(RUN).over("station"),
        begin=pl.col("day").shift(RUN - 1).over("station"),
        habit_n=pl.int_range(pl.len()).over("station") - RUN + 1,
        habit_caught=pl.col("caught").cum_sum().shift(RUN).over("station"),
    ).filter(
        pl.col("begin").is_not_null()
        & ((pl.col("day") - pl.col("begin")).dt.total_days() <= LONGEST_RUN_D)
    )
    runs = runs.with_columns(rate=pl.col("habit_caught") / pl.col("habit_n"))
    has_habit = (pl.col("habit_n") >= HABIT_DAYS) & (pl.col("rate") >= LEAST_HABIT)
    runs = runs.with_columns(_at_most(pl.col("caught_run"), pl.col("rate")), habit=has_habit).join(
        _against_normal(weather_day, normal_day, runs), on=["station", "day"], how="left"
    )
    blocked = (pl.col("habit") & (pl.col("luck") < CHANCE)) | (
        (pl.col("habit_n") < HABIT_DAYS)
        & (pl.col("caught_run") <= NO_HABIT_CAUGHT)
        & (pl.col("normal_mm") >= NORMAL_LEAST_MM)
        & (pl.col("fell_mm") < NORMAL_SHARE * pl.col("normal_mm"))
    )
    named = labeled(runs, "station", "rain gauge", "gauge dry")
    checked = named.filter(pl.col("habit") | pl.col("normal_mm").is_not_null())
    days_of = checked.filter(blocked).select(*WHO, "depth_cm", "day")
    return spans(days_of, LONGEST_RUN_D), checked_days(checked, "gauge dry")


def _at_most(caught: pl.Expr, rate: pl.Expr) -> pl.Expr:
    """Chance (``luck``) that no more of ``RUN`` days catch rain: binomial, the probabilities added up.

    As a formula, since it is asked every day, and scipy takes longer to load than all else here.
    """
    terms = (
        pl.when(caught >= n).then(comb(RUN, n) * rate**n * (1 - rate) ** (RUN - n)).otherwise(0.0)
        for n in range(RUN + 1)
    )
    return pl.sum_horizontal(terms).alias("luck")


def counter_faults(weather_day: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Find days on which a running rain total did what no rain makes; return the days checked too."""
    recorded = weather_day.filter(
        pl.col("rain_mm").is_not_null() | pl.col("rain_reason").is_not_null()
    )
    named = labeled(recorded, "station", "rain counter", "counter jump")
    days_of = named.filter(pl.col("rain_reason").is_not_null()).select(*WHO, "depth_cm", "day")
    return spans(days_of), checked_days(named, "counter jump")


def _rainy(weather_day: pl.DataFrame, farm: pl.DataFrame) -> pl.DataFrame:
    """Days on which it was humid and dark, without snow, and whether a millimetre was caught."""
    top = extraterrestrial(
        pl.lit(farm["latitude_deg"].item(), pl.Float64) if farm.height else pl.lit(0.0),
        pl.col("day").dt.ordinal_day().cast(pl.Float64),
    )
    return (
        weather_day.filter(
            (pl.col("rain_coverage") >= WHOLE)
            & (pl.col("humidity_coverage") >= WHOLE)
            & (pl.col("solar_coverage") >= WHOLE)
            & pl.col("rain_mm").is_not_null()
            & (_humidity() >= HUMID_PCT)
            & (pl.col("solar_energy_mj_m2") <= DARK * top)
            & (pl.col("air_temp_min_c") > SNOW_C)
        )
        .sort("station", "day")
        .with_columns(caught=(pl.col("rain_mm") >= CAUGHT_MM).cast(pl.Int64))
    )


def _humidity() -> pl.Expr:
    """Mean relative humidity [%] as measured, else from vapor pressure or dew point (FAO-56)."""
    at_most = mean_saturation(pl.col("air_temp_max_c"), pl.col("air_temp_min_c"))
    vapor = pl.coalesce("vapour_pressure_mean_kpa", saturation(pl.col("dew_point_mean_c")))
    return pl.coalesce("relative_humidity_mean_pct", 100.0 * vapor / at_most)


def _against_normal(
    weather_day: pl.DataFrame, normal_day: pl.DataFrame, runs: pl.DataFrame
) -> pl.DataFrame:
    """Rain that fell and that is normal over the days of each run that were recorded whole."""
    normal = normal_day.filter(pl.col("days_in_year") == 366).select(
        "month", "day_of_month", normal="rain_mm"
    )
    days = (
        weather_day.filter((pl.col("rain_coverage") >= WHOLE) & pl.col("rain_mm").is_not_null())
        .select("station", "day", "rain_mm")
        .with_columns(
            month=pl.col("day").dt.month().cast(pl.Int64),
            day_of_month=pl.col("day").dt.day().cast(pl.Int64),
        )
        .join(normal, on=["month", "day_of_month"], how="left")
        .sort("station", "day")
        .with_columns(
            fell=pl.col("rain_mm").cum_sum().over("station"),
            due=pl.col("normal").fill_null(0.0).cum_sum().over("station"),
        )
        .select("station", "day", "fell", "due")
    )
    ends = runs.select("station", "day", "begin").join(days, on=["station", "day"], how="left")
    both = ends.join(
        days.rename({"day": "begin", "fell": "fell_0", "due": "due_0"}),
        on=["station", "begin"],
        how="left",
    )
    known = normal_day.height > 0
    return both.select(
        "station",
        "day",
        fell_mm=pl.col("fell") - pl.col("fell_0"),
        normal_mm=pl.when(pl.lit(known)).then(pl.col("due") - pl.col("due_0")),
    )
