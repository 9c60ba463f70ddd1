"""Instruments that stopped, and parts of them that stopped while the rest goes on.

There is no clock here: an instrument is silent as of the farm's newest receipt; status, inspect and
the digest compare with the clock. What counts as late is common practice, no source.
"""

from __future__ import annotations

from datetime import date

import polars as pl

from transforms.health.methods import set_aside
from transforms.health.methods.heard import PART, named_depth
from transforms.health.methods.runs import LENGTH_D

WHO = ["kind", "instrument"]
LATE = 2.0  # silent for more than twice its habit
USUAL = 0.95
HABIT_LEAST = 5  # arrivals or days before a habit is one
PIECE_D = 7.0  # before that, what one file brought may be the habit, up to a week
RESTS = "rain gauge"  # the one part that is taken in over winter at many stations
A_YEAR_D, AROUND_D = 365, 15


def silence(
    runs: pl.DataFrame,
    spells: pl.DataFrame,
    arrivals: pl.DataFrame,
    *,
    sensor: pl.DataFrame,
    aside: pl.DataFrame,
    as_of: date,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Find silent instruments and parts without values; return them and the days checked.

    ``runs``: those of the days with values of each part (``heard.value_runs``).
    ``spells``: kind, instrument, from_day, to_day on a field; one that has ended is never silent.
    ``arrivals``: kind, instrument, day of each arrival and piece_d, the days that it brought.
    ``as_of``: the day of the farm's newest receipt. An instrument whose files are fetched by hand
    once a month is not silent after a week. A part is compared with the last value of the rest of
    its instrument. ``aside``: what the field book sets aside (``set_aside.days``) is not silent, nor
    without values, and is judged again from the day after.
    """
    standing = (
        spells.filter((pl.col("from_day") <= as_of) & (pl.col("to_day") >= as_of))
        .group_by(WHO)
        .agg(since=pl.col("from_day").max())
    )
    heard = (
        runs.join(standing, on=WHO)
        .sort(*PART, "day")
        .group_by(PART, maintain_order=True)
        .agg(
            pl.col("depth_cm", "since").first(),
            first=pl.col("day").min(),
            last=pl.col("to_day").max(),
            n=LENGTH_D.sum(),
            between=(pl.col("day") - pl.col("to_day").shift(1)).dt.total_days().drop_nulls().sort(),
        )
        .with_columns(of_days=_habit_of_runs())
        .drop("n", "between")
    )
    whole = _instruments(heard, arrivals, as_of)
    parts = _parts(heard, runs, whole, sensor, aside)
    whole = _silent(set_aside.judged(whole, aside), "of_arrivals")
    rows = pl.concat(
        [whole.with_columns(finding=pl.lit("silent")), parts], how="diagonal"
    ).with_columns(silent_after_d=LATE * pl.col("habit_d"))
    columns = [*PART, "finding", "depth_cm", "silent_d", "habit_d", "silent_after_d"]
    found = rows.filter(
        (pl.col("silent_d") > pl.col("silent_after_d")) & ~pl.col("rests").fill_null(False)
    ).select(
        *columns, from_day="silent_from", to_day="until", days=pl.col("silent_d").cast(pl.Int64)
    )
    seen = rows.filter(pl.col("first").is_not_null()).select(
        *columns, checked_from="first", checked_to="until", days=pl.lit(None, pl.Int64)
    )
    return found, seen


def _habit_of_runs() -> pl.Expr:
    """``_habit`` of the ``n`` days in runs with longer steps ``between`` them; all others are of one day."""
    single = pl.col("n") - 1 - pl.col("between").list.len()
    place = ((pl.col("n") - 2) * USUAL).ceil().cast(pl.Int64) - single
    longer = pl.col("between").list.get(pl.max_horizontal(place, 0), null_on_oob=True)
    each = pl.when(place < 0).then(1).otherwise(longer).cast(pl.Float64)
    return pl.when(pl.col("n") >= HABIT_LEAST).then(each)


def _habit(day: str) -> pl.Expr:
    """95th percentile of the days between one and the next; null for fewer than five of them."""
    each = pl.col(day).unique().sort()
    return pl.when(pl.col(day).n_unique() >= HABIT_LEAST).then(
        each.diff().dt.total_days().quantile(USUAL, "higher")
    )


def _instruments(heard: pl.DataFrame, arrivals: pl.DataFrame, as_of: date) -> pl.DataFrame:
    habit = arrivals.group_by(WHO).agg(
        of_arrivals=pl.coalesce(_habit("day"), pl.col("piece_d").median().clip(upper_bound=PIECE_D))
    )
    rows = heard.filter(pl.col("part") == "whole").join(habit, on=WHO, how="left")
    return rows.with_columns(until=pl.lit(as_of, pl.Date))


def _parts(
    heard: pl.DataFrame,
    runs: pl.DataFrame,
    whole: pl.DataFrame,
    sensor: pl.DataFrame,
    aside: pl.DataFrame,
) -> pl.DataFrame:
    """Parts against the last value of their instrument, with sensors that never gave one."""
    of_whole = whole.select(*WHO, until="last", whole_first="first", whole_since="since")
    parts = heard.filter(pl.col("part") != "whole").join(of_whole, on=WHO)
    gave = parts.select(*WHO, "depth_cm").unique()
    sensors = sensor.select(
        "depth_cm", "from_day", "to_day", kind=pl.lit("probe"), instrument="probe"
    )
    never = (
        sensors.join(of_whole, on=WHO)
        .join(gave, on=[*WHO, "depth_cm"], how="anti")
        .with_columns(part=named_depth(), since=pl.max_horizontal("whole_since", "whole_first"))
        .select(*PART, "depth_cm", "since", "until")
    )
    every = pl.concat(
        [parts.select(pl.exclude("whole_first", "whole_since")), never], how="diagonal"
    )
    valid = every.join(sensors, on=[*WHO, "depth_cm"], how="left").filter(
        (pl.col("to_day").is_null() | (pl.col("to_day") >= pl.col("until")))
        & (pl.col("from_day").is_null() | (pl.col("from_day") <= pl.col("until")))
    )
    rows = valid.with_columns(since=pl.max_horizontal("since", "from_day")).drop(
        "from_day", "to_day"
    )
    return (
        _silent(set_aside.judged(rows, aside), None)
        .join(_resting(runs, rows), on=PART, how="left")
        .with_columns(finding=pl.lit("no values"))
    )


def _silent(rows: pl.DataFrame, habit: str | None) -> pl.DataFrame:
    """Days without a value up to ``until``: since the last one, or since the spell began."""
    since = pl.max_horizontal(pl.col("last").dt.offset_by("1d"), "since")
    habits = [pl.col("of_days"), *([pl.col(habit)] if habit else [])]
    return rows.with_columns(
        silent_from=since,
        silent_d=((pl.col("until") - since).dt.total_days() + 1).clip(0).cast(pl.Float64),
        habit_d=pl.coalesce(pl.max_horizontal(*habits), 1.0).cast(pl.Float64),
    )


def _resting(runs: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """Gauges that had no value around this day a year before either, and came back after it."""
    gauges = rows.filter(pl.col("part") == RESTS).select(*PART, "first", "last", "until")
    most, least = ((pl.col("until") - pl.col(name)).dt.total_days() for name in ("day", "to_day"))
    return (
        runs.join(gauges, on=PART)
        .group_by(PART)
        .agg(
            then=((most >= A_YEAR_D - AROUND_D) & (least <= A_YEAR_D + AROUND_D)).any(),
            before=(most > A_YEAR_D + AROUND_D).any(),
            after=(least < A_YEAR_D - AROUND_D).any(),
        )
        .select(*PART, rests=~pl.col("then") & pl.col("before") & pl.col("after"))
    )
