"""The farm's climatological day, and how much of it readings cover: the one place of both rules.

A day is 24 hours of the zone's standard time all year, starting at ``farm.day_starts_h``, and is
called by the date on which it starts. A reading is stamped at the end of its interval and belongs
whole to the day with ``start < time <= next start``.
"""

from datetime import date, timedelta

import polars as pl

DAY_S = 86_400.0

# The last day of a spell or season that is still open.
OPEN_END = date(9999, 12, 31)

# A day counts as whole from here on: clocks drift by seconds and steps are rounded. Common
# practice, no source.
WHOLE = 0.999

INSTANT = timedelta(microseconds=1)


def shift(farm: pl.DataFrame) -> timedelta:
    """What is added to a UTC time so that the farm's day becomes the UTC date.

    ``farm`` is the one row of the table ``farm``; ValueError where it is not one row.
    """
    if farm.height != 1:
        raise ValueError(f"the table farm must have one row, it has {farm.height}")
    offset: float = farm["standard_offset_h"].item()
    starts: float = farm["day_starts_h"].item()
    return timedelta(hours=offset - starts)


def day_of(time: pl.Expr, farm: pl.DataFrame) -> pl.Expr:
    """The day (Date) that a reading stamped ``time`` (UTC, end of its interval) belongs to."""
    return (time + (shift(farm) - INSTANT)).dt.date()


def day_after(time: pl.Expr, farm: pl.DataFrame) -> pl.Expr:
    """The day (Date) in which the instant just after ``time`` (UTC) lies."""
    return (time + shift(farm)).dt.date()


def starts_at(day: pl.Expr, farm: pl.DataFrame) -> pl.Expr:
    """The instant (UTC) at which a day starts."""
    return day.cast(pl.Datetime("us")).dt.replace_time_zone("UTC") - shift(farm)


def each_day(
    rows: pl.DataFrame, first: str | pl.Expr, last: str | pl.Expr, name: str = "day"
) -> pl.DataFrame:
    """``rows`` once for every day from ``first`` to ``last``, which is added as ``name``.

    None if either is null. Joined on it, a table of many years meets only the days concerned, not
    all of them times all rows.
    """
    days = rows.with_columns(pl.date_ranges(first, last).alias(name)).explode(name)
    return days.filter(pl.col(name).is_not_null())


def seconds(span: pl.Expr) -> pl.Expr:
    """Length of a span of time in seconds."""
    # Here as elsewhere a constant is multiplied with, not divided by: polars divides a column of
    # one row otherwise than a longer one, and the last bit would hang on who came along.
    return (span.dt.total_microseconds() * 1e-6).round(6)


def interval() -> pl.Expr:
    """Return the interval of a reading, ``interval_s``, as a span of time."""
    return pl.duration(microseconds=(pl.col("interval_s") * 1e6).cast(pl.Int64))


def covered_s(present: pl.Expr, group: str) -> pl.Expr:
    """Seconds of the day that each reading adds, null where ``present`` is false.

    The frame is sorted by time within ``group`` (one instrument on one day, an integer that
    changes from group to group) and has ``time`` and ``interval_s``. Steps that overlap count
    once: a reading covers its interval, but not back beyond the one before it. Only readings of
    the same day are looked at, so that a day alone gives what it gives among others.
    """
    last_time = pl.when(present).then(pl.col("time")).forward_fill().shift(1)
    last_group = pl.when(present).then(pl.col(group)).forward_fill().shift(1)
    since_s = seconds(pl.col("time") - last_time)
    alone = last_group.is_null() | (last_group != pl.col(group))
    length = (
        pl.when(alone)
        .then(pl.col("interval_s"))
        .otherwise(pl.min_horizontal("interval_s", since_s))
    )
    return pl.when(present).then(length)


def coverage(covered: pl.Expr) -> pl.Expr:
    """Share of the day, 0 to 1, from the covered seconds of its readings (an aggregation)."""
    return (covered.sum() * (1.0 / DAY_S)).clip(0.0, 1.0)


def weighted_mean(value: pl.Expr, weight: pl.Expr) -> pl.Expr:
    """Mean of ``value`` weighted by ``weight`` over the rows that have both (an aggregation)."""
    weight = pl.when(value.is_not_null()).then(weight)
    return (value * weight).sum() / weight.sum().replace(0.0, None)


def in_spell(days: pl.DataFrame, spell: pl.DataFrame, by: str, carry: list[str]) -> pl.DataFrame:
    """``days`` with the columns ``carry`` of the spell (``from_day`` to ``to_day``) they lie in.

    ``by`` names the instrument. Days outside every spell get nulls. Where spells overlap the one
    that began last holds.
    """
    spells = spell.select(by, "from_day", "to_day", *carry).sort("from_day")
    joined = days.sort("day").join_asof(
        spells,
        left_on="day",
        right_on="from_day",
        by=by,
        strategy="backward",
        check_sortedness=False,
    )
    inside = pl.col("from_day").is_not_null() & (pl.col("day") <= pl.col("to_day")).fill_null(True)
    return joined.with_columns(pl.when(inside).then(pl.col(c)).alias(c) for c in carry).drop(
        "from_day", "to_day"
    )
