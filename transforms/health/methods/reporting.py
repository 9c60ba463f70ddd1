"""Gaps in a record and their pattern, and the battery's trend.

How long a gap is one and at what share of its usual voltage a battery fails are common practice, no
source.
"""

from __future__ import annotations

import polars as pl

from transforms.health.methods import runs
from transforms.health.methods.runs import LENGTH_D
from transforms.health.methods.spans import checked_runs

GAP_D = 3
PATTERN_LEAST = 6  # missing single days in a year before they can show a pattern
PATTERN_SHARE = 0.8

TREND_D = 28
TREND_LEAST = 10
FAILS_AT = 0.85  # of the usual voltage: a lead battery is flat there, and loggers stop
NEW_LOW = 0.98  # of the lowest of the year before, by its first percentile
SOON_D, LATER_D = 30, 120


def gaps(expected: pl.DataFrame, recorded: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Find days missing inside the record: long gaps, and single days that follow the calendar.

    ``expected`` and ``recorded``: kind, instrument and runs of days; recorded are days with a quarter
    of their readings or more. Returns the findings and the days checked.
    """
    who = ["kind", "instrument"]
    whole = {"part": pl.lit("whole"), "depth_cm": pl.lit(None, pl.Float64)}
    missing = runs.without(expected, recorded, who).select(
        *who,
        **whole,
        finding=pl.lit("gap"),
        from_day="day",
        to_day="to_day",
        days=LENGTH_D,
    )
    single = (
        missing.filter(pl.col("days") == 1)
        .with_columns(
            year=pl.col("from_day").dt.year(),
            last=pl.col("from_day") == pl.col("from_day").dt.month_end(),
        )
        .group_by(*who, "part", "year")
        .agg(
            pl.col("depth_cm").first(),
            from_day=pl.col("from_day").min(),
            to_day=pl.col("to_day").max(),
            days=pl.len().cast(pl.Int64),
            month_end=pl.col("last").mean(),
            weekday=pl.col("from_day").dt.weekday().value_counts().struct.field("count").max()
            / pl.len(),
        )
        .filter(
            (pl.col("days") >= PATTERN_LEAST)
            & (pl.max_horizontal("month_end", "weekday") >= PATTERN_SHARE)
        )
        .with_columns(
            finding=pl.lit("gap pattern"),
            pattern=pl.when(pl.col("month_end") >= PATTERN_SHARE)
            .then(pl.lit("the last day of the month"))
            .otherwise(pl.lit("the same day of the week")),
        )
        .drop("year", "month_end", "weekday")
    )
    found = pl.concat([missing.filter(pl.col("days") >= GAP_D), single], how="diagonal")
    return found, checked_runs(expected.with_columns(**whole), "gap", "gap pattern")


def batteries(days: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Batteries on their way out, and the day on which each fails.

    ``days``: kind, instrument, day, battery_min_v in V. The line through the last four weeks of
    the record (least squares), where they end lower than the year before ever was: the cold of
    every winter is no failing battery.
    """
    who = ["kind", "instrument"]
    known = days.drop_nulls("battery_min_v").with_columns(
        ago=(pl.col("day").max().over(who) - pl.col("day")).dt.total_days()
    )
    recent, before = pl.col("ago") < TREND_D, pl.col("ago").is_between(TREND_D, TREND_D + 365)
    volts, ago = pl.col("battery_min_v"), pl.col("ago").cast(pl.Float64)
    rows = (
        known.group_by(who)
        .agg(
            last=pl.col("day").max(),
            days=recent.sum().cast(pl.Int64),
            n_before=before.sum(),
            usual=volts.filter(pl.col("ago") >= TREND_D).median(),
            least=volts.filter(before).quantile(0.01),
            battery_min_v=volts.sort_by("day").last(),
            level=volts.filter(pl.col("ago") < 3).median(),
            slope=-pl.cov(volts.filter(recent), ago.filter(recent)) / ago.filter(recent).var(),
        )
        .filter((pl.col("days") >= TREND_LEAST) & (pl.col("n_before") >= 90))
        .with_columns(
            part=pl.lit("battery"),
            depth_cm=pl.lit(None, pl.Float64),
            to_fall=pl.col("level") - FAILS_AT * pl.col("usual"),
        )
    )
    flat = pl.col("to_fall") <= 0
    left = pl.when(flat).then(0.0).otherwise(-pl.col("to_fall") / pl.col("slope"))
    falling = (pl.col("slope") < 0) & (pl.col("level") < NEW_LOW * pl.col("least"))
    columns = [*who, "part", "depth_cm", "days", "battery_min_v"]
    first = pl.col("last").dt.offset_by(f"-{TREND_D - 1}d")
    found = (
        rows.with_columns(left=left)
        .filter((falling & (pl.col("left") <= LATER_D)) | flat)
        .select(
            *columns,
            finding=pl.when(pl.col("left") <= SOON_D)
            .then(pl.lit("battery failing"))
            .otherwise(pl.lit("battery falling")),
            from_day=first,
            to_day="last",
            fails_day=pl.col("last") + pl.duration(days=pl.col("left").ceil().cast(pl.Int64)),
        )
    )
    seen = rows.select(*columns, checked_from=first, checked_to="last")
    return found, pl.concat(
        [seen.with_columns(finding=pl.lit(f)) for f in ("battery failing", "battery falling")]
    )
