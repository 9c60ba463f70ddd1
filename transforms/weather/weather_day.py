"""Readings of a station reduced to days."""

from __future__ import annotations

import polars as pl

from schemas import generated
from schemas.tables.weather.weather_day import TABLE
from transforms.methods import calendar_day, limits
from transforms.methods.texts import joined
from transforms.weather.methods import rain_counter, rain_records, vapour

UNKNOWN_BEGIN = "a rain total of several days, and no rain record tells when they began"
MOST_DAYS = 31  # of which one rain total may be; common practice, no source

COUNTER_DAYS, COUNTER_READINGS = rain_counter.NEAR_DAYS, rain_counter.NEAR_READINGS

# The columns that make each quantity, and the coverage that stands for it.
# Means over no longer than this have the extremes that a thermometer has: sensors of stations answer
# within a minute or so. Common practice, no source.
SHORT_S = 900.0
# Share of the recorded time that must have extremes of its own for the day to have them.
MOSTLY = 0.9

_SOURCES: dict[str, tuple[str, ...]] = {
    "air_temp": ("air_temp_c", "air_temp_max_c", "air_temp_min_c"),
    "humidity": (
        "relative_humidity_pct",
        "relative_humidity_max_pct",
        "relative_humidity_min_pct",
        "dew_point_c",
        "vapour_pressure_kpa",
        "specific_humidity_g_kg",
        "vapour_pressure_deficit_kpa",
    ),
    "wind": ("wind_speed_m_s",),
    "solar": ("solar_radiation_w_m2", "solar_energy_mj_m2"),
    "rain": ("rain_mm", "rain_counter_mm", "beyond_mm"),
}
_VALUES: dict[str, tuple[str, ...]] = {
    "air_temp": ("air_temp_mean_c",),
    "humidity": ("relative_humidity_mean_pct", "dew_point_mean_c", "vapour_pressure_mean_kpa"),
    "wind": ("wind_speed_mean_m_s",),
    "solar": ("solar_energy_mj_m2",),
    "rain": ("rain_mm",),
}


def derive(
    weather_reading: pl.DataFrame, station_spell: pl.DataFrame, farm: pl.DataFrame
) -> pl.DataFrame:
    """Reduce weather readings to one row a station and day.

    ``weather_reading`` holds all readings of the days wanted and the rain-counter readings near
    each of them (see ``rain_counter``); the rows of the days that these lie in are not a whole
    account and are for the caller to leave out. A day also changes when such a reading changes.

    Coverage is the share of the day that the intervals of its readings cover, overlaps once.
    Means are weighted by covered seconds. A reading with both extremes and no mean stands for
    half of their sum; a daily record of extremes so gives half of the sum of the extremes.
    A flux below zero (night offset) counts as zero; radiation, rain and logged evapotranspiration
    are sums of what was recorded, never scaled up. Where a day has increments and a counter, the
    one that covers more of it is taken, increments on a tie. ``partial`` is true where a quantity
    that reported at all that day covers less than ``calendar_day.WHOLE`` of it, and a number
    outside the limits declared for it (a stuck sensor) is null with coverage 0. Rain beyond the
    world's records (``rain_records``) is left out and recorded in ``rain_impossible_mm``. A total of
    several days (``rain_over_d``) is of the days since the one after the last with rain of its own;
    if that is more than ``MOST_DAYS`` before, or there is none, nothing is known of its days.
    """
    if weather_reading.is_empty():
        return generated.empty(TABLE)
    possible = rain_records.possible(weather_reading, farm)
    reading = _prepared(possible, farm).collect().lazy()
    day = (
        _reduced(reading).collect().join(_counted(reading, farm), on=["station", "day"], how="left")
    )
    day = _without_impossible(_choose_rain(day))
    day = limits.within(day, TABLE).with_columns(
        pl.when(pl.any_horizontal(pl.col(v).is_not_null() for v in values))
        .then(f"{quantity}_coverage")
        .otherwise(0.0)
        .alias(f"{quantity}_coverage")
        for quantity, values in _VALUES.items()
    )
    part = pl.any_horizontal(
        pl.col(f"reports_{quantity}") & (pl.col(f"{quantity}_coverage") < calendar_day.WHOLE)
        for quantity in _SOURCES
    )
    placed = calendar_day.in_spell(
        day.with_columns(part.alias("partial")).select(pl.exclude("^reports_.*$")),
        station_spell,
        "station",
        ["field", "strip", "gauge_heated", "wind_height_m"],
    )
    return generated.conform(placed.sort("station", "day"), TABLE)


def _prepared(weather_reading: pl.DataFrame, farm: pl.DataFrame) -> pl.LazyFrame:
    """Readings in order, with their day and with the mean that stands for each interval."""
    humidity_mid = (pl.col("relative_humidity_max_pct") + pl.col("relative_humidity_min_pct")) / 2
    temp_mid = (pl.col("air_temp_max_c") + pl.col("air_temp_min_c")) / 2
    humid = [pl.col(c).clip(upper_bound=100.0) for c in _SOURCES["humidity"][:3]]
    reading = (
        weather_reading.lazy()
        .sort("station", "time")
        .with_columns(calendar_day.day_of(pl.col("time"), farm).alias("day"), *humid)
        .with_columns(
            pl.struct("station", "day").rle_id().alias("group"),
            pl.coalesce("air_temp_c", temp_mid).alias("temp"),
            pl.coalesce("relative_humidity_pct", humidity_mid).alias("humid"),
            vapour.of_reading(farm["elevation_m"].item()).alias("vapour_pressure_kpa"),
            # An increment of several days (a gauge read after a weekend) fell since its start.
            pl.when(pl.col("interval_s") > calendar_day.DAY_S)
            .then(calendar_day.day_after(pl.col("time") - calendar_day.interval(), farm))
            .otherwise("day")
            .alias("since"),
        )
    )
    if weather_reading["rain_over_d"].null_count() < weather_reading.height:
        reading = _with_totals(reading, farm)
    return reading.with_columns(
        _seconds("temp").alias("temp_s"),
        _seconds("humid", "dew_point_c", "vapour_pressure_kpa").alias("humid_s"),
        _seconds("wind_speed_m_s").alias("wind_s"),
        _seconds("solar_radiation_w_m2", "solar_energy_mj_m2").alias("solar_s"),
        _seconds("rain_mm").alias("rain_s"),
    )


def _with_totals(reading: pl.LazyFrame, farm: pl.DataFrame) -> pl.LazyFrame:
    """Readings with ``since`` as the first day of rain totals of several days.

    If the record does not say of how many days one is, it begins after the last reading with rain.
    Where that is not known, the rain is null.
    """
    before = pl.when(pl.col("rain_mm").is_not_null()).then("time").forward_fill().shift(1)
    after_it = calendar_day.day_after(before.over("station"), farm)
    counted = pl.col("day") - pl.duration(days=pl.col("rain_over_d").cast(pl.Int64) - 1)
    began = pl.when(pl.col("rain_over_d") == 0).then(after_it).otherwise(counted)
    near = (pl.col("day") - began).dt.total_days().is_between(0, MOST_DAYS - 1)
    several = (pl.col("rain_over_d") != 1).fill_null(False) & pl.col("rain_mm").is_not_null()
    lost = several & ~near.fill_null(False)
    return reading.with_columns(
        pl.when(several).then(began).otherwise("since").alias("since"),
        pl.when(~lost).then("rain_mm").alias("rain_mm"),
        pl.when(lost).then(pl.lit(UNKNOWN_BEGIN)).alias("total_reason"),
    )


def _seconds(*columns: str) -> pl.Expr:
    present = pl.any_horizontal(pl.col(c).is_not_null() for c in columns)
    return calendar_day.covered_s(present, "group")


def _reduced(reading: pl.LazyFrame) -> pl.LazyFrame:
    """The day of everything but rain counters."""
    mean, coverage = calendar_day.weighted_mean, calendar_day.coverage
    energy = pl.coalesce(
        "solar_energy_mj_m2",
        pl.col("solar_radiation_w_m2").clip(lower_bound=0.0) * pl.col("solar_s") * 1e-6,
    )
    return reading.group_by("station", "day").agg(
        mean(pl.col("temp"), pl.col("temp_s")).alias("air_temp_mean_c"),
        pl.min_horizontal("air_temp_min_c", "air_temp_c").min().alias("air_temp_min_c"),
        pl.max_horizontal("air_temp_max_c", "air_temp_c").max().alias("air_temp_max_c"),
        _extremes_from().alias("air_temp_extremes_from"),
        coverage(pl.col("temp_s")).alias("air_temp_coverage"),
        mean(pl.col("humid"), pl.col("humid_s")).alias("relative_humidity_mean_pct"),
        pl.min_horizontal("relative_humidity_min_pct", "relative_humidity_pct")
        .min()
        .alias("relative_humidity_min_pct"),
        pl.max_horizontal("relative_humidity_max_pct", "relative_humidity_pct")
        .max()
        .alias("relative_humidity_max_pct"),
        mean(pl.col("dew_point_c"), pl.col("humid_s")).alias("dew_point_mean_c"),
        mean(pl.col("vapour_pressure_kpa"), pl.col("humid_s")).alias("vapour_pressure_mean_kpa"),
        coverage(pl.col("humid_s")).alias("humidity_coverage"),
        _sum("rain_mm").alias("rain_mm"),
        coverage(pl.col("rain_s")).alias("rain_coverage"),
        _sum("beyond_mm").alias("rain_impossible_mm"),
        pl.when(pl.col("rain_mm").is_not_null()).then("since").min().alias("rain_since_day"),
        mean(pl.col("wind_speed_m_s"), pl.col("wind_s")).alias("wind_speed_mean_m_s"),
        pl.col("wind_gust_m_s").max(),
        coverage(pl.col("wind_s")).alias("wind_coverage"),
        pl.when(energy.is_not_null().any()).then(energy.sum()).alias("solar_energy_mj_m2"),
        coverage(pl.col("solar_s")).alias("solar_coverage"),
        mean(pl.col("air_pressure_kpa"), pl.col("interval_s")).alias("air_pressure_mean_kpa"),
        pl.col("snow_depth_cm").drop_nulls().last(),
        _sum("reference_et_mm").alias("reference_et_logged_mm"),
        pl.col("battery_v").min().alias("battery_min_v"),
        pl.len().alias("readings"),
        pl.col("^total_reason$").drop_nulls().first(),
        *(
            pl.any_horizontal(pl.col(c).is_not_null().any() for c in columns).alias(
                f"reports_{quantity}"
            )
            for quantity, columns in _SOURCES.items()
        ),
    )


def _extremes_from() -> pl.Expr:
    """Return what the day's extremes of temperature are of (an aggregation)."""
    both = pl.all_horizontal(pl.col("air_temp_max_c", "air_temp_min_c").is_not_null())
    seconds = pl.col("temp_s")
    longest = pl.col("interval_s").filter(pl.col("temp").is_not_null() & ~both).max()
    return (
        pl.when(seconds.filter(both).sum() >= MOSTLY * seconds.sum())
        .then(pl.when(seconds.count() > 0).then(pl.lit("extremes")))
        .when(longest <= SHORT_S)
        .then(pl.lit("short means"))
        .otherwise(pl.lit("long means"))
    )


def _counted(reading: pl.LazyFrame, farm: pl.DataFrame) -> pl.DataFrame:
    """The day's rain from counters, under names of its own."""
    counter = reading.select(
        "station",
        "time",
        "day",
        "interval_s",
        "rain_counter_mm",
        "rain_counter_rolls_at_mm",
    ).filter(pl.col("rain_counter_mm").is_not_null())
    return (
        rain_counter.steps(counter.collect(), farm)
        .group_by("station", "day")
        .agg(
            _sum("rain_mm").alias("counted_mm"),
            calendar_day.coverage(pl.col("covered_s")).alias("counted_coverage"),
            pl.col("since_day").min().alias("counted_since_day"),
            pl.col("suspect").sum().cast(pl.Int64).alias("rain_suspect"),
            pl.col("reason").drop_nulls().unique().sort().str.join("; ").alias("rain_reason"),
        )
    )


def _choose_rain(day: pl.DataFrame) -> pl.DataFrame:
    """The rain record that covers more of the day."""
    counted = pl.col("counted_mm").is_not_null() & (
        pl.col("rain_mm").is_null() | (pl.col("counted_coverage") > pl.col("rain_coverage"))
    )
    pairs = {
        "rain_mm": "counted_mm",
        "rain_coverage": "counted_coverage",
        "rain_since_day": "counted_since_day",
    }
    reasons = [pl.col(c) for c in ("total_reason", "rain_reason") if c in day.columns]
    return day.with_columns(
        *(pl.when(counted).then(b).otherwise(a).alias(a) for a, b in pairs.items()),
        pl.col("rain_suspect").fill_null(0),
        joined(*(reason.replace("", None) for reason in reasons)).alias("rain_reason"),
    ).drop(*pairs.values(), pl.selectors.matches("^total_reason$"))


def _without_impossible(day: pl.DataFrame) -> pl.DataFrame:
    """Take out a day's rain that is beyond the record of the days that its total is of."""
    days = (pl.col("day") - pl.coalesce("rain_since_day", "day")).dt.total_days() + 1
    length_s = day.select(days * calendar_day.DAY_S).to_series()
    bad = rain_records.beyond(day["rain_mm"], length_s)
    return day.with_columns(
        rain_impossible_mm=pl.when(bad).then("rain_mm").otherwise("rain_impossible_mm"),
        rain_mm=pl.when(~bad).then("rain_mm"),
    )


def _sum(column: str) -> pl.Expr:
    """Sum of a column, null where there is nothing to sum (an aggregation)."""
    return pl.when(pl.col(column).is_not_null().any()).then(pl.col(column).sum())
