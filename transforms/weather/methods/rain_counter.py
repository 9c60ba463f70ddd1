"""Rain from a running total: increments between consecutive counter readings of a station.

The rules need only the readings of a day and the last one before it, so a day made alone is the
day made among others. Method: our own; common practice, no source.
"""

from __future__ import annotations

import polars as pl

from transforms.methods import calendar_day

# A fall of no more than this (or of this share of the total) is jitter of a weighing gauge or of
# rounding, not rain and not a reset.
JITTER_MM = 1.0
JITTER_SHARE = 0.01
# A total that fell to this share of what it was has been reset, or has rolled over.
RESET_SHARE = 0.5
# More than this a day by rolling over is taken for a reset by hand: the counter was far from its
# end. More than the largest step in one go is a fault (limit of the quantity ``rain``).
ROLL_MM_PER_DAY = 100.0
LARGEST_STEP_MM = 1_900.0
# A step longer than this many intervals bridges a gap.
GAP_INTERVALS = 1.5


def steps(reading: pl.DataFrame, farm: pl.DataFrame) -> pl.DataFrame:
    """One row a counter reading that has one before it.

    ``reading`` has ``station``, ``time``, ``day``, ``interval_s``, ``rain_counter_mm`` and
    ``rain_counter_rolls_at_mm``. Returned, sorted by station and time: ``station``, ``day``,
    ``time_before`` and ``time`` (from which reading to which), ``rain_mm`` (null where
    unexplained), ``covered_s`` (seconds of ``day`` that the step explains), ``since_day`` (first
    day of the step) and ``suspect`` (left out).

    A fall to at most half is a reset, and the new total fell since; with ``rolls_at`` it rolled
    over, and what was missing to the end fell too. A smaller fall is left out as suspect: where
    it is tiny the step is still covered, and the total must pass its old height before rain
    counts again; where it is not, nothing is known of the step. A step over a gap counts on the
    day on which it ends, unless there was a reset: what fell before that is lost.
    """
    paired = _paired(reading)
    step = _with_high(_with_kind(paired))
    rain = pl.col("high") - pl.col("high_before")
    known = pl.col("kind").is_in(["rise", "jitter", "reset", "roll"]) & (rain <= LARGEST_STEP_MM)
    step = step.with_columns(
        pl.when(known).then(rain).alias("rain_mm"),
        pl.when(known).then(_covered_s(farm)).alias("covered_s"),
        pl.when(known & pl.col("bridges"))
        .then(calendar_day.day_after(pl.col("time_before"), farm))
        .otherwise("day")
        .alias("since_day"),
        ((pl.col("kind") == "jitter") | ~known).alias("suspect"),
    )
    return step.select(
        "station", "day", "time_before", "time", "rain_mm", "covered_s", "since_day", "suspect"
    )


def _paired(reading: pl.DataFrame) -> pl.DataFrame:
    """Each counter reading with the one before it at the same station."""
    frame = (
        reading.filter(pl.col("rain_counter_mm").is_not_null())
        .select(
            "station",
            "time",
            "day",
            "interval_s",
            now="rain_counter_mm",
            rolls_at="rain_counter_rolls_at_mm",
        )
        .sort("station", "time")
    )
    same = pl.col("station") == pl.col("station").shift(1)
    return frame.with_columns(
        pl.when(same).then(pl.col("now").shift(1)).alias("before"),
        pl.when(same).then(pl.col("time").shift(1)).alias("time_before"),
    ).filter(pl.col("before").is_not_null())


def _with_kind(step: pl.DataFrame) -> pl.DataFrame:
    """What kind of step it is, and whether it bridges a gap."""
    now, before = pl.col("now"), pl.col("before")
    length_s = calendar_day.seconds(pl.col("time") - pl.col("time_before"))
    rolled = now + pl.col("rolls_at") - before
    most = ROLL_MM_PER_DAY * (length_s * (1.0 / calendar_day.DAY_S)).clip(lower_bound=1.0)
    fall = before - now
    small = (fall <= JITTER_MM) | (fall <= JITTER_SHARE * before)
    kind = (
        pl.when(fall <= 0)
        .then(pl.lit("rise"))
        .when((now <= RESET_SHARE * before) & rolled.is_between(now, most))
        .then(pl.lit("roll"))
        .when(now <= RESET_SHARE * before)
        .then(pl.lit("reset"))
        .when(small)
        .then(pl.lit("jitter"))
        .otherwise(pl.lit("fall"))
    )
    return step.with_columns(kind.alias("kind"), length_s.alias("length_s")).with_columns(
        (
            (pl.col("length_s") > GAP_INTERVALS * pl.col("interval_s"))
            & (pl.col("kind") != "reset")
        ).alias("bridges")
    )


def _with_high(step: pl.DataFrame) -> pl.DataFrame:
    """The highest total so far since the day's first step or the last break, after and before.

    Rain is what the total gains over that height, so jitter that comes back is not rain.
    """
    new_day = (pl.col("day") != pl.col("day").shift(1)) | (
        pl.col("station") != pl.col("station").shift(1)
    )
    broken = pl.col("kind").is_in(["reset", "roll", "fall"])
    starts = new_day.fill_null(True) | broken
    base = (
        pl.when(pl.col("kind") == "reset")
        .then(0.0)
        .when(pl.col("kind") == "roll")
        .then(pl.col("before") - pl.col("rolls_at"))
        .when(pl.col("kind") == "fall")
        .then("now")
        .otherwise("before")
    )
    return (
        step.with_columns(starts.cum_sum().alias("run"), pl.when(starts).then(base).alias("base"))
        .with_columns(
            pl.max_horizontal("now", "base").cum_max().over("run").alias("high"),
        )
        .with_columns(
            pl.coalesce("base", pl.col("high").shift(1)).alias("high_before"),
        )
    )


def _covered_s(farm: pl.DataFrame) -> pl.Expr:
    """Seconds of its day that a step explains: a bridged gap back to the day's start."""
    of_day_s = calendar_day.seconds(pl.col("time") - calendar_day.starts_at(pl.col("day"), farm))
    return (
        pl.when("bridges")
        .then(pl.min_horizontal("length_s", of_day_s))
        .when(pl.col("kind") == "reset")
        .then(pl.min_horizontal("length_s", "interval_s"))
        .otherwise("length_s")
    )
