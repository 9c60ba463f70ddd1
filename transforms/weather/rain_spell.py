"""Stretches of unbroken rain within the day: readings reduced far enough to tell dry hours.

A daily sum cannot say whether six dry hours lay between two rains; this table can, at a few rows
a wet day. It follows whatever the logger records: where that is one value a day, the spell is the
day and says so in ``step_h``.
"""

from __future__ import annotations

import polars as pl

from schemas import generated
from schemas.tables.weather.rain_spell import TABLE
from transforms.methods import calendar_day
from transforms.weather.methods import rain_counter, rain_records

COUNTER_DAYS, COUNTER_READINGS = rain_counter.NEAR_DAYS, rain_counter.NEAR_READINGS
_OF_DAY = ["station", "day"]
# Stamps drift by seconds; less than this between two wet intervals is no break.
_TOUCHING = pl.duration(seconds=30)


def derive(weather_reading: pl.DataFrame, farm: pl.DataFrame) -> pl.DataFrame:
    """One row a station, day and spell.

    ``weather_reading`` as for ``weather_day``: all readings of the days wanted and the rain-counter
    readings near each. Where a day has increments and a counter, the record that
    covers more of it is taken, as there. A reading belongs whole to the day it ends in.
    """
    if weather_reading.is_empty():
        return generated.empty(TABLE)
    reading = (
        rain_records.possible(weather_reading, farm)
        .sort("station", "time")
        .with_columns(calendar_day.day_of(pl.col("time"), farm).alias("day"))
    )
    increments, counted = _increments(reading), _counted(reading, farm)
    wet = _possible(_of_the_better(increments, counted).filter(pl.col("rain_mm") > 0))
    joined = (
        wet.sort(*_OF_DAY, "began")
        .with_columns(pl.col("ended").cum_max().shift(1).over(_OF_DAY).alias("wet_until"))
        .with_columns(
            (pl.col("began") > pl.col("wet_until") + _TOUCHING)
            .fill_null(True)
            .cum_sum()
            .over(_OF_DAY)
            .alias("spell"),
            ((pl.col("ended") - pl.col("began")).dt.total_microseconds() / 3.6e9).alias("step_h"),
        )
        .group_by(*_OF_DAY, "spell")
        .agg(
            pl.col("began").min(),
            pl.col("ended").max(),
            pl.col("rain_mm").sum(),
            pl.col("step_h").max(),
        )
        .drop("spell")
    )
    return generated.conform(joined, TABLE).sort(TABLE.key)


def _possible(wet: pl.DataFrame) -> pl.DataFrame:
    """Take out days whose rain is beyond the world's records, as ``weather_day`` does."""
    length_s = calendar_day.seconds(pl.col("ended").max() - pl.col("began").min())
    days = wet.group_by(_OF_DAY).agg(
        pl.col("rain_mm").sum(), length_s=length_s.clip(lower_bound=calendar_day.DAY_S)
    )
    bad = days.filter(rain_records.beyond(days["rain_mm"], days["length_s"]))
    return wet.join(bad, on=_OF_DAY, how="anti")


def _increments(reading: pl.DataFrame) -> pl.DataFrame:
    """Rain reported by interval: ``began``, ``ended``, ``rain_mm`` and seconds covered."""
    present = reading.filter(pl.col("rain_mm").is_not_null()).with_columns(
        pl.struct(*_OF_DAY).rle_id().alias("group")
    )
    return present.select(
        *_OF_DAY,
        (pl.col("time") - calendar_day.interval()).alias("began"),
        pl.col("time").alias("ended"),
        "rain_mm",
        calendar_day.covered_s(pl.lit(True), "group").alias("covered_s"),
    )


def _counted(reading: pl.DataFrame, farm: pl.DataFrame) -> pl.DataFrame:
    """Rain of each step of a running total, in the same columns."""
    return rain_counter.steps(reading, farm).select(
        *_OF_DAY,
        pl.col("time_before").alias("began"),
        pl.col("time").alias("ended"),
        "rain_mm",
        "covered_s",
    )


def _of_the_better(increments: pl.DataFrame, counted: pl.DataFrame) -> pl.DataFrame:
    """Each day's rows from the record that covers more of it, increments on a tie."""
    covered = calendar_day.coverage(pl.col("covered_s"))
    days = (
        increments.group_by(_OF_DAY)
        .agg(covered.alias("by_increments"))
        .join(
            counted.group_by(_OF_DAY).agg(covered.alias("by_counter")),
            on=_OF_DAY,
            how="full",
            coalesce=True,
        )
        .with_columns(
            (pl.col("by_counter") > pl.col("by_increments").fill_null(-1.0))
            .fill_null(False)
            .alias("counter")
        )
    )
    return pl.concat(
        [
            increments.join(days.filter(~pl.col("counter")), on=_OF_DAY, how="semi"),
            counted.join(days.filter(pl.col("counter")), on=_OF_DAY, how="semi"),
        ]
    )
