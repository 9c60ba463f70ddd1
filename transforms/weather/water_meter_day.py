"""Readings of a water meter reduced to days: the volume that passed, and how much of the day is known.

A meter writes what passed in each interval, a running total, or a rate of flow; of several the one
that covers more of the day is taken, in this order on a tie. A running total is read by the rules of
a rain counter (resets, roll-overs, dips of power, gaps), as a depth over the irrigated area. A rate
holds for its interval; a negative one (water that runs back, or noise at rest) counts as zero.
Volumes are sums of what was recorded, never scaled up: a meter that is silent says nothing, which is
not zero.
"""

import polars as pl

from schemas import generated
from schemas.tables.weather.water_meter_day import TABLE
from transforms.methods import calendar_day
from transforms.weather.methods import rain_counter

COUNTER_DAYS, COUNTER_READINGS = rain_counter.NEAR_DAYS, rain_counter.NEAR_READINGS
COUNTERS = ("water_counter_m3",)

# A depth of 1 mm on one hectare, m3.
M3_PER_MM_HA = 10.0
# Stands for the irrigated area where none is given: only jitter and jumps of a total depend on it.
_SOME_HA = 1.0
_VALUES = ("water_volume_m3", "water_counter_m3", "water_flow_m3_h")
_KEY = ["station", "day"]
_WORDS = {
    rain_counter.CAME_BACK: "the meter's total left its height and came back to it",
    rain_counter.JUMPED: "the meter's total rose more than irrigation can have made it",
    rain_counter.FELL: "the meter's total fell, and not to near zero as a reset does",
    rain_counter.SILENT: "the meter was silent for more than a year",
}


def derive(
    weather_reading: pl.DataFrame, station_spell: pl.DataFrame, farm: pl.DataFrame
) -> pl.DataFrame:
    """Reduce readings of water meters to one row a station and day.

    ``weather_reading`` has all readings of the days wanted and the counter readings near each of them,
    as for ``weather_day``. Volumes in m3, areas in hectares.
    """
    metered = weather_reading.filter(pl.any_horizontal(pl.col(_VALUES).is_not_null()))
    if metered.is_empty():
        return generated.empty(TABLE)
    reading = _prepared(metered, farm)
    day = _chosen(
        _passed(reading).join(_counted(reading, station_spell, farm), on=_KEY, how="left")
    )
    strip = pl.when(pl.col("field").is_not_null()).then(pl.col("strip").fill_null("both"))
    placed = calendar_day.in_spell(
        day, station_spell, "station", ["field", "strip", "irrigated_area_ha"]
    ).with_columns(strip=strip, partial=pl.col("volume_coverage") < calendar_day.WHOLE)
    return generated.conform(placed.select(TABLE.names), TABLE).sort(TABLE.key)


def _prepared(metered: pl.DataFrame, farm: pl.DataFrame) -> pl.DataFrame:
    """Readings in order, with their day, and the seconds of it that increments and rates cover."""
    began = pl.col("time") - calendar_day.interval()
    return (
        metered.select("station", "time", "interval_s", *_VALUES, "water_counter_rolls_at_m3")
        .sort("station", "time")
        .with_columns(day=calendar_day.day_of(pl.col("time"), farm))
        .with_columns(
            group=pl.struct(_KEY).rle_id(),
            since=pl.when(pl.col("interval_s") > calendar_day.DAY_S)
            .then(calendar_day.day_after(began, farm))
            .otherwise("day"),
        )
        .with_columns(
            volume_s=calendar_day.covered_s(pl.col("water_volume_m3").is_not_null(), "group"),
            flow_s=calendar_day.covered_s(pl.col("water_flow_m3_h").is_not_null(), "group"),
        )
    )


def _passed(reading: pl.DataFrame) -> pl.DataFrame:
    """The day's volume by increments and by rates, each with its coverage."""
    flowed = pl.col("water_flow_m3_h").clip(lower_bound=0.0) * pl.col("flow_s") * (1.0 / 3600.0)
    volume = pl.col("water_volume_m3")
    return reading.group_by(_KEY).agg(
        readings=pl.len().cast(pl.Int64),
        increments_m3=pl.when(volume.is_not_null().any()).then(volume.sum()),
        increments_coverage=calendar_day.coverage(pl.col("volume_s")),
        increments_since=pl.when(volume.is_not_null()).then("since").min(),
        flow_m3=pl.when(flowed.is_not_null().any()).then(flowed.sum()),
        flow_coverage=calendar_day.coverage(pl.col("flow_s")),
    )


def _counted(
    reading: pl.DataFrame, station_spell: pl.DataFrame, farm: pl.DataFrame
) -> pl.DataFrame:
    """The day's volume by the steps of running totals."""
    areas = station_spell.group_by("station").agg(ha=pl.col("irrigated_area_ha").max())
    # Made here, not in a column: polars divides a column of one row otherwise than a longer one.
    mm_per_m3 = {
        station: 1.0 / (M3_PER_MM_HA * (ha or _SOME_HA)) for station, ha in areas.iter_rows()
    }
    m3_per_mm = {station: M3_PER_MM_HA * (ha or _SOME_HA) for station, ha in areas.iter_rows()}

    def times(of_station: dict[str, float], otherwise: float) -> pl.Expr:
        return pl.col("station").replace_strict(
            of_station, default=otherwise, return_dtype=pl.Float64
        )

    to_mm = times(mm_per_m3, 1.0 / (M3_PER_MM_HA * _SOME_HA))
    totals = reading.filter(pl.col("water_counter_m3").is_not_null()).select(
        "station",
        "time",
        "day",
        "interval_s",
        rain_counter_mm=pl.col("water_counter_m3") * to_mm,
        rain_counter_rolls_at_mm=pl.col("water_counter_rolls_at_m3") * to_mm,
    )
    passed = pl.col("rain_mm") * times(m3_per_mm, M3_PER_MM_HA * _SOME_HA)
    return (
        rain_counter.steps(totals, farm, starts_daily=False)
        .with_columns(passed_m3=passed, reason=pl.col("reason").replace(_WORDS))
        .group_by(_KEY)
        .agg(
            total_m3=pl.when(pl.col("passed_m3").is_not_null().any()).then(
                pl.col("passed_m3").sum()
            ),
            total_coverage=calendar_day.coverage(pl.col("covered_s")),
            total_since=pl.col("since_day").min(),
            suspect=pl.col("suspect").sum().cast(pl.Int64),
            reason=pl.col("reason").drop_nulls().unique().sort().str.join("; ").replace("", None),
        )
    )


def _chosen(day: pl.DataFrame) -> pl.DataFrame:
    """The record that covers more of the day."""
    records = (("increments", "increments"), ("running total", "total"), ("flow", "flow"))
    covers = [
        pl.when(pl.col(f"{stem}_m3").is_not_null()).then(f"{stem}_coverage") for _, stem in records
    ]
    most = pl.max_horizontal(covers)
    first = pl.coalesce(
        pl.when(cover == most).then(pl.lit(word))
        for (word, _), cover in zip(records, covers, strict=True)
    )

    def of(*by_record: pl.Expr) -> pl.Expr:
        return pl.coalesce(
            pl.when(pl.col("volume_from") == word).then(value)
            for (word, _), value in zip(records, by_record, strict=True)
        )

    return day.with_columns(volume_from=first).with_columns(
        volume_m3=of(pl.col("increments_m3"), pl.col("total_m3"), pl.col("flow_m3")),
        volume_coverage=of(*covers).fill_null(0.0),
        volume_since_day=of(pl.col("increments_since"), pl.col("total_since"), pl.col("day")),
        suspect=pl.col("suspect").fill_null(0),
    )
