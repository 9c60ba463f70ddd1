"""Rain from a running total: increments between consecutive counter readings of a station.

The rules of a step look no further than ``NEAR_READINGS`` readings and ``NEAR_DAYS`` to either side of
it, so the day made alone is the day made among others. Records of rain by duration:
``rain_records``. The other limits are our own; common practice, no source.
"""

from datetime import timedelta

import polars as pl

from transforms.methods import calendar_day
from transforms.weather.methods.rain_records import record_mm

# A fall of no more than this (or of this share of the total) is jitter of a weighing gauge or of
# rounding, not rain and not a reset. A step no larger is never taken for a fault.
JITTER_MM = 1.0
JITTER_SHARE = 0.01
# A total that fell to this share of what it was has been reset, or has rolled over.
RESET_SHARE = 0.5
# More than this a day by rolling over is taken for a reset by hand: the counter was far from its
# end.
ROLL_MM_PER_DAY = 100.0
# A step longer than this many intervals bridges a gap.
GAP_INTERVALS = 1.5
# What fell in a longer gap is told of no day: the counter may have been read for another gauge since.
LONGEST_GAP = timedelta(days=365)
# A total that is counted anew each day stands at zero after a dry gap and a wet one alike. A gap that is
# shorter ends on the same day or the next, of which the rest is known.
LONGEST_AT_ZERO = timedelta(days=1)
# More than this share of the record counts only if a reading beside it has rain too (so much of
# it): such rain does not begin and end within one reading. Right after a fall of the total the
# limit is lower, because a reset starts near zero.
RARE_SHARE = 0.25
NEAR_ZERO_SHARE = 0.05
BESIDE_SHARE = 0.1
# A total that leaves its height and comes back to it, gaining no more than this share of the way,
# was not measured between; half of the way, if rain that makes such a way in one reading is rarer
# than a dip, or if nothing was read on the way (a gap). It is recognized within NEAR_DAYS, and across
# a gap within NEAR_READINGS.
RETURN_SHARE, RARE_RETURN_SHARE = 0.1, 0.5
NEAR_DAYS = 1
# A total that falls to zero as a day begins and stays there for as long was reset, whatever follows.
LEAST_RESET = timedelta(hours=2)
NEAR_READINGS = 3
# Stretches of readings on one height that may lie between leaving a height and coming back.
MOST_STRETCHES = 3

CAME_BACK = "the rain counter left its height and came back to it"
JUMPED = "the rain counter rose more than rain can have made it"
SILENT = "the rain counter was silent for more than a year"
FELL = "the rain counter fell, and not to near zero as a reset does"


def steps(reading: pl.DataFrame, farm: pl.DataFrame, *, starts_daily: bool = True) -> pl.DataFrame:
    """One row a counter reading that has one before it.

    ``reading`` has ``station``, ``time``, ``day``, ``interval_s``, ``rain_counter_mm`` and
    ``rain_counter_rolls_at_mm``. Returned, sorted by station and time: ``station``, ``day``,
    ``time_before`` and ``time`` (from which reading to which), ``rain_mm`` (null where
    unexplained), ``covered_s`` (seconds of ``day`` that the step explains), ``since_day`` (first
    day of the step), ``suspect`` (left out) and ``reason`` (why ``rain_mm`` is null).

    A fall to at most half and near zero is a reset, and the new total fell since; with
    ``rolls_at`` it rolled over, and what was missing to the end fell too. A smaller fall is left
    out as suspect: where it is tiny the step is still covered, and the total must pass its old
    height before rain counts again; where it is not, nothing is known of the step. Nothing is
    known either of steps between leaving a height and coming back to it (power dip, spike), and
    of a rise that no rain makes (another counter). A step over a gap counts on the day on which it
    ends, unless there was a reset: what fell before that is lost. Nothing is known of a gap of more
    than ``LONGEST_GAP``, nor, if totals may be such since midnight (``starts_daily``), of one of
    ``LONGEST_AT_ZERO`` before which the total stood at zero: whatever fell, such a total is there again.
    """
    step = _with_high(_with_reason(_with_kind(_paired(reading, farm), starts_daily)))
    known = pl.col("reason").is_null()
    step = step.with_columns(
        pl.when(known).then(pl.col("high") - pl.col("high_before")).alias("rain_mm"),
        pl.when(known).then(_covered_s(farm)).alias("covered_s"),
        pl.when(known & pl.col("bridges"))
        .then(calendar_day.day_after(pl.col("time_before"), farm))
        .otherwise("day")
        .alias("since_day"),
        ((pl.col("kind") == "jitter") | ~known).alias("suspect"),
    )
    return step.select(
        "station",
        "day",
        "time_before",
        "time",
        "rain_mm",
        "covered_s",
        "since_day",
        "suspect",
        "reason",
    )


def _paired(reading: pl.DataFrame, farm: pl.DataFrame) -> pl.DataFrame:
    """Each counter reading with the one before it at the same station."""
    # A total since midnight falls where the day of the clock changes, by standard or summer time.
    offset = timedelta(hours=farm["standard_offset_h"].item())
    began = pl.col("time") - pl.duration(seconds="interval_s")
    clocks = (offset, offset + timedelta(hours=1))
    days = [(at + clock).dt.date() for at in (began, pl.col("time")) for clock in clocks]
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
    frame = frame.with_columns(
        pl.when(same).then(pl.col("now").shift(1)).alias("before"),
        pl.when(same).then(pl.col("time").shift(1)).alias("time_before"),
        pl.any_horizontal(day != day.shift(1) for day in days).fill_null(False).alias("new_day"),
    )
    return _with_astray(frame).filter(pl.col("before").is_not_null())


def _small_fall() -> pl.Expr:
    fall = pl.col("before") - pl.col("now")
    return (fall <= JITTER_MM) | (fall <= JITTER_SHARE * pl.col("before"))


def _with_astray(reading: pl.DataFrame) -> pl.DataFrame:
    """Add ``astray``: the step begins or ends at a reading off the height that the total keeps.

    Readings between two large steps are a stretch on one height. Where the stretch after one to
    three others goes on from where the one before them ended, the readings between were no total.
    A total that fell and then counts on was reset, and one that falls to zero may have been, as one
    that rises again after hours at zero was; one that falls to zero as the day begins is a total
    since midnight.
    """
    rose = pl.col("now") - pl.col("before") > JITTER_MM
    breaks = (rose | ~_small_fall()).fill_null(True)
    numbered = reading.with_columns(at=pl.int_range(pl.len())).with_columns(
        breaks.cum_sum().alias("stretch")
    )
    ends = [
        pl.col(column).get(at).alias(f"{column}_{end}")
        for end, at in (("first", 0), ("last", -1))
        for column in ("at", "now", "time", "station", "interval_s", "new_day")
    ]
    stretch = numbered.group_by("stretch", maintain_order=True).agg(ends)
    found = pl.concat([_came_back(stretch, n) for n in range(1, MOST_STRETCHES + 1)])
    marks = (
        pl.concat([found.select("at", mark=1), found.select(at="until", mark=-1)])
        .group_by("at")
        .agg(pl.col("mark").sum())
    )
    return (
        numbered.join(marks, on="at", how="left", maintain_order="left")
        .with_columns(astray=pl.col("mark").fill_null(0).cum_sum() > 0)
        .drop("at", "mark", "stretch")
    )


def _came_back(stretch: pl.DataFrame, between: int) -> pl.DataFrame:
    """Steps ``at`` to before ``until`` on which the total left its height for some stretches."""
    was = {c: pl.col(f"{c}_last").shift(between + 1) for c in ("at", "now", "time", "station")}
    left_to, back_from = pl.col("now_first").shift(between), pl.col("now_last").shift(1)
    back = pl.col("now_first")
    fell = left_to < was["now"]
    least = pl.min_horizontal((left_to - was["now"]).abs(), (back - back_from).abs())
    counts_on = fell & (back_from > left_to)
    # Read at one height for so long: across a gap nothing is known.
    lasts = pl.col("time_last") - pl.col("time_first")
    from_zero = (back_from <= JITTER_MM) & (lasts.shift(1) >= LEAST_RESET)
    may_be_reset = ~fell & ((back <= JITTER_MM) | from_zero)
    since_midnight = (
        pl.col("new_day_first").shift(between)
        & (left_to <= JITTER_MM)
        & (lasts.shift(between) >= LEAST_RESET)
    )
    back_s = calendar_day.seconds(pl.col("time_first") - pl.col("time_last").shift(1))
    stretch = stretch.with_columns(record_mm(stretch.select(back_s.abs()).to_series()))
    gain = back - was["now"]
    is_gap = back_s > GAP_INTERVALS * pl.col("interval_s_first")
    is_rare = fell & ((least > NEAR_ZERO_SHARE * pl.col("record")) | is_gap)
    most = least * pl.when(is_rare).then(RARE_RETURN_SHARE).otherwise(RETURN_SHARE)
    near = (pl.col("time_first") - was["time"] <= timedelta(days=NEAR_DAYS)) | (
        pl.col("at_first") - was["at"] <= NEAR_READINGS
    )
    came_back = (
        (was["station"] == pl.col("station_first"))
        & near
        & gain.is_between(-RETURN_SHARE * least, most)
        & ~counts_on
        & ~may_be_reset
        & ~since_midnight
    )
    # Shifted before the rows are filtered: the stretches between must still be there.
    return (
        stretch.select(came_back.alias("came_back"), at=was["at"] + 1, until=pl.col("at_first") + 1)
        .filter("came_back")
        .drop("came_back")
    )


def _with_kind(step: pl.DataFrame, starts_daily: bool) -> pl.DataFrame:
    """What kind of step it is, what fell by that, whether it bridges a gap, or may hide a total's new start."""
    now, before = pl.col("now"), pl.col("before")
    length_s = calendar_day.seconds(pl.col("time") - pl.col("time_before"))
    rolled = now + pl.col("rolls_at") - before
    most = ROLL_MM_PER_DAY * (length_s * (1.0 / calendar_day.DAY_S)).clip(lower_bound=1.0)
    kind = (
        pl.when(now >= before)
        .then(pl.lit("rise"))
        .when((now <= RESET_SHARE * before) & rolled.is_between(now, most))
        .then(pl.lit("roll"))
        .when(now <= RESET_SHARE * before)
        .then(pl.lit("reset"))
        .when(_small_fall())
        .then(pl.lit("jitter"))
        .otherwise(pl.lit("fall"))
    )
    fell = {"rise": now - before, "roll": rolled, "reset": now}
    return (
        step.with_columns(kind.alias("kind"), length_s.alias("length_s"))
        .with_columns(
            pl.coalesce(pl.when(pl.col("kind") == k).then(mm) for k, mm in fell.items()).alias(
                "fell"
            ),
        )
        .with_columns(
            hides=pl.lit(starts_daily)
            & pl.col("rolls_at").is_null()
            & (before == 0)
            & (pl.col("length_s") >= calendar_day.seconds(pl.lit(LONGEST_AT_ZERO)))
        )
        .with_columns(
            bridges=(pl.col("length_s") > GAP_INTERVALS * pl.col("interval_s"))
            & (pl.col("kind") != "reset")
            & ~pl.col("hides")
        )
    )


def _with_reason(step: pl.DataFrame) -> pl.DataFrame:
    """Add ``reason``: why a step says nothing of the rain, null where it does."""

    def of_station(column: str, by: int) -> pl.Expr:
        same = pl.col("station") == pl.col("station").shift(by)
        return pl.when(same).then(pl.col(column).shift(by))

    # What fell within a reset's step fell since the reset: at most one interval is known of.
    length_s = step.select(
        pl.when(pl.col("kind") == "reset")
        .then(pl.min_horizontal("length_s", "interval_s"))
        .otherwise("length_s")
        .alias("length_s")
    )["length_s"]
    step = step.with_columns(record_mm(length_s))
    beside = pl.max_horizontal(of_station("fell", 1), of_station("fell", -1)).fill_null(0.0)
    supported = beside >= BESIDE_SHARE * pl.col("fell")
    reset = pl.col("kind") == "reset"
    begins = reset | of_station("kind", 1).is_in(["reset", "fall"]).fill_null(False)
    share = (
        pl.when(begins & supported)
        .then(RARE_SHARE)
        .when(begins)
        .then(NEAR_ZERO_SHARE)
        .when(supported)
        .then(1.0)
        .otherwise(RARE_SHARE)
    )
    too_much = pl.col("fell") > share * pl.col("record")
    return step.with_columns(
        reason=pl.when("astray")
        .then(pl.lit(CAME_BACK))
        .when((pl.col("kind") == "fall") | (reset & too_much))
        .then(pl.lit(FELL))
        .when(too_much)
        .then(pl.lit(JUMPED))
        .when(pl.col("bridges") & (pl.col("time") - pl.col("time_before") > LONGEST_GAP))
        .then(pl.lit(SILENT))
    )


def _with_high(step: pl.DataFrame) -> pl.DataFrame:
    """The highest total so far since the day's first step or the last break, after and before.

    Rain is what the total gains over that height, so jitter that comes back is not rain.
    """
    new_day = (pl.col("day") != pl.col("day").shift(1)) | (
        pl.col("station") != pl.col("station").shift(1)
    )
    unknown = pl.col("reason").is_not_null()
    starts = new_day.fill_null(True) | unknown | pl.col("kind").is_in(["reset", "roll"])
    base = (
        pl.when(unknown)
        .then("now")
        .when(pl.col("kind") == "reset")
        .then(0.0)
        .when(pl.col("kind") == "roll")
        .then(pl.col("before") - pl.col("rolls_at"))
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
        .when((pl.col("kind") == "reset") | pl.col("hides"))
        .then(pl.min_horizontal("length_s", "interval_s"))
        .otherwise("length_s")
    )
