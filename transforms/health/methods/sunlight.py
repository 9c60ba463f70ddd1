"""Radiation against what a clear sky gives, without a partner.

The clear sky's radiation is Eq 37 of FAO-56 (Allen et al. 1998). Over two months almost every place
has a clear day, so the best day of a level, clean sensor comes near it; a few good days far above it
mean a wrong factor or unit; days of nothing at all mean a dead sensor. Limits are common practice,
no source.
"""

from __future__ import annotations

import polars as pl

from transforms.health.methods.spans import WHO, checked_days, labeled, spans
from transforms.methods import flat_line
from transforms.methods.penman import clear_sky, extraterrestrial

WHOLE = 0.9
LEAST_TOP = 8.0  # MJ/m2 at the top of the atmosphere: below it, a winter's sun says little
WINDOW, LEAST_DAYS = "61d", 45
BEST_LOW = 0.65  # of the clear sky's, by the best day of two months
HIGH, HIGH_DAYS = 1.2, 5  # by the fifth best day of two months
NOTHING, NOTHING_DAYS = 0.005, 2  # under the thickest clouds some three percent come through
BRIDGE_D = 31


def alone(weather_day: pl.DataFrame, farm: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Find sensors that catch too little or too much for any sky; return them and the days checked.

    ``ratio`` is that of the best day (too low) or of the fifth best one (too high) to a clear sky.
    """
    days = _clearness(weather_day, farm)
    named = _by_two_months(days, ratio=pl.col("of_clear").max())
    low = named.filter(pl.col("ratio") < BEST_LOW).with_columns(finding=pl.lit("radiation low"))
    # Few stations ever have so many such days, and to rank the days of each window takes long.
    often = (pl.col("of_clear") > HIGH).sum().over("station") >= HIGH_DAYS
    high = _by_two_months(
        days.filter(often), ratio=pl.col("of_clear").top_k(HIGH_DAYS).min()
    ).filter(pl.col("ratio") > HIGH)
    high = high.with_columns(finding=pl.lit("radiation high"))
    number = (pl.col("ratio").last(), pl.col("begin").min())
    found = [
        spans(frame, BRIDGE_D, number).with_columns(from_day="begin").drop("begin")
        for frame in (low, high)
    ]
    dark = labeled(days, "station", "radiation", "radiation low").filter(
        pl.col("of_clear") < NOTHING
    )
    none = spans(dark).filter(pl.col("days") >= NOTHING_DAYS).with_columns(ratio=pl.lit(0.0))
    seen = checked_days(named, "radiation low", "radiation high")
    return pl.concat([*found, none], how="diagonal"), seen


def _by_two_months(days: pl.DataFrame, **numbers: pl.Expr) -> pl.DataFrame:
    """Reduce the days up to each one to numbers, where there are enough of them."""
    rolled = days.rolling("day", period=WINDOW, group_by="station").agg(
        n=pl.len(), begin=pl.col("day").min(), **numbers
    )
    return labeled(rolled.filter(pl.col("n") >= LEAST_DAYS), "station", "radiation")


def stuck(weather_day: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Find radiation and air pressure that give one value for days; return the days checked too.

    Whole days with the same sum or mean to the last digit, longer than the station's own habit
    (a record in whole units repeats itself now and then).
    """
    found, seen = [], []
    for part, column, lit in (
        ("radiation", "solar_energy_mj_m2", pl.col("solar_energy_mj_m2") > 0),
        ("air pressure", "air_pressure_mean_kpa", pl.lit(True)),
    ):
        days = labeled(
            weather_day.filter(pl.col(column).is_not_null()).sort("station", "day"),
            "station",
            part,
            "stuck",
        )
        moved = (pl.col(column) - pl.col(column).shift(1).over("station")).abs() > 1e-9
        follows = (pl.col("day") - pl.col("day").shift(1).over("station")).dt.total_days() == 1
        flat = flat_line.stuck(days, ["station"], same=~moved & follows & lit, alive=moved)
        found.append(spans(days.filter(flat).select(*WHO, "depth_cm", "day")))
        seen.append(checked_days(days, "stuck"))
    return pl.concat(found), pl.concat(seen)


def _clearness(weather_day: pl.DataFrame, farm: pl.DataFrame) -> pl.DataFrame:
    """Whole days with a sun worth judging, and their radiation as a share of a clear sky's.

    None at a farm without a place.
    """
    home = [farm[c].item() if farm.height else 0.0 for c in ("latitude_deg", "elevation_m")]
    top = extraterrestrial(
        pl.lit(home[0], pl.Float64), pl.col("day").dt.ordinal_day().cast(pl.Float64)
    )
    return (
        weather_day.filter(
            (pl.col("solar_coverage") >= WHOLE) & pl.col("solar_energy_mj_m2").is_not_null()
        )
        .select("station", "day", energy="solar_energy_mj_m2", top=top)
        .filter(pl.col("top") >= LEAST_TOP)
        .with_columns(
            of_clear=pl.col("energy") / clear_sky(pl.col("top"), pl.lit(home[1], pl.Float64))
        )
        .sort("station", "day")
    )
