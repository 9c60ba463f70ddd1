"""Clock and end of the interval by rain: it falls at the same time at a station near by.

Each way to read the stamps (a clock, and stamps at the start or at the end of the interval) puts
the rain somewhere else in time. The neighbor's rain is summed over the same intervals and compared
with it; the candidate that lies nearest on clearly more of the wet days is the answer (sign test of
days, since the steps of one storm are not independent). Method: our own; common practice, no source.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from math import comb

import polars as pl

MOST_STEP_S = 7200  # a neighbor that reports more seldom cannot tell one hour from the next
LEAST_WET_DAYS = 6
LEAST_ALIKE = 0.3  # on the mean of wet days: less, and it is no neighbor
SAME_RECORD = 0.005  # apart on the mean of wet days: two gauges never agree so well
CHANCE = 0.01  # of being that clear by luck


@dataclass(frozen=True, slots=True)
class Neighbor:
    """Another station's rain: ``time`` (UTC, end of the interval), ``step_s``, ``rain`` (any unit).

    ``end_known`` is false where it was itself sniffed and its own end of the interval is open.
    """

    name: str
    rain: pl.DataFrame
    end_known: bool = True


@dataclass(frozen=True, slots=True)
class Candidate:
    """One way to read the stamps: the ends of the intervals in UTC."""

    name: str
    ends: pl.Series


@dataclass(frozen=True, slots=True)
class RainAnswer:
    """The candidates that stay possible (by their place in the list), and the evidence in a sentence."""

    left: tuple[int, ...]
    evidence: str


def compare(
    candidates: Sequence[Candidate],
    labels: pl.Series,
    rain: pl.Series,
    step_s: int,
    neighbor: Neighbor,
) -> RainAnswer | None:
    """The candidates by which rain falls when it falls at the neighbor; None where the two say nothing.

    ``labels`` and ``rain`` are the rows' stamps as written and the rain of each interval.
    """
    nearby = neighbor.rain.drop_nulls().unique("time", keep="last").sort("time")
    steps = nearby["step_s"].mode()
    if steps.is_empty() or not 0 < step_s <= MOST_STEP_S or int(steps[0]) > MOST_STEP_S:
        return None
    if not neighbor.end_known and int(steps[0]) * 2 > step_s:
        return None  # its own open end would move the answer
    days = [
        _days(candidate.ends, labels, rain, step_s, nearby, int(steps[0]))
        for candidate in candidates
    ]
    table = days[0]
    for i, frame in enumerate(days[1:], 1):
        table = table.join(frame, on="day", how="full", coalesce=True, suffix=f"_{i}")
    names = ["apart", *(f"apart_{i}" for i in range(1, len(candidates)))]
    table = table.with_columns(pl.col(names).fill_null(0.0))
    wet = table.height
    if wet < LEAST_WET_DAYS:
        return None
    best = min(range(len(candidates)), key=lambda i: float(table[names[i]].sum()))
    apart = float(table[names[best]].sum()) / wet
    if apart > 1.0 - LEAST_ALIKE or apart < SAME_RECORD:
        return None  # no neighbor, or the same record that came in before, perhaps read wrongly
    left = [best]
    fewest = wet
    for i in range(len(candidates)):
        if i == best:
            continue
        won = int((table[names[best]] < table[names[i]] - 1e-9).sum())
        lost = int((table[names[best]] > table[names[i]] + 1e-9).sum())
        if _luck(won, won + lost) > CHANCE:
            left.append(i)
        else:
            fewest = min(fewest, won)
    if len(left) == len(candidates):
        return None
    evidence = (
        f"by rain at {neighbor.name}: read as {candidates[best].name} it falls at the same time, "
        f"nearer than otherwise on {fewest} or more of {wet} wet days"
    )
    return RainAnswer(tuple(sorted(left)), evidence)


def _luck(won: int, of: int) -> float:
    """Chance of at least so many wins where each is even."""
    return sum(comb(of, k) for k in range(won, of + 1)) / 2**of if of else 1.0


def _days(  # noqa: PLR0917
    ends: pl.Series,
    labels: pl.Series,
    rain: pl.Series,
    step_s: int,
    nearby: pl.DataFrame,
    nearby_s: int,
) -> pl.DataFrame:
    """Per wet day, how far apart the two are: 0 alike, 1 nothing in common.

    Days are those of the rows' labels (or of the neighbor, where it is the coarser), so that they
    are the same for every candidate.
    """
    own = pl.DataFrame({"time": ends, "rain": rain, "label": labels}).drop_nulls()
    own = own.unique("time", keep="first").sort("time")
    nearby = nearby.select("time", "rain", label=pl.col("time").dt.replace_time_zone(None))
    if nearby_s <= step_s:
        coarse, summed = own, _over(nearby, nearby_s, own["time"], step_s)
    else:
        coarse, summed = nearby, _over(own, step_s, nearby["time"], nearby_s)
    both = coarse.join(summed, on="time").drop_nulls()
    x, y = pl.col("rain").clip(0, None), pl.col("fine").clip(0, None)
    both = both.select(
        pl.col("label").dt.date().alias("day"), x=(x / x.sum()).sqrt(), y=(y / y.sum()).sqrt()
    )
    fallen = pl.col("x").pow(2).sum() + pl.col("y").pow(2).sum()
    return (
        both.group_by("day")
        .agg(fallen=fallen, apart=1 - 2 * (pl.col("x") * pl.col("y")).sum() / fallen)
        .filter(pl.col("fallen") > 0)
        .sort("day")
        .select("day", "apart")
    )


def _over(fine: pl.DataFrame, fine_s: int, ends: pl.Series, length_s: int) -> pl.DataFrame:
    """Rain of the finer series over intervals that end at ``ends``; null where it has gaps."""
    sums = fine.select(
        "time",
        pl.col("rain"),
        closing="time",
        total=pl.col("rain").cum_sum(),
        seconds=pl.int_range(1, pl.len() + 1) * fine_s,
    )

    def until(edge: pl.Expr) -> pl.DataFrame:
        """Total and seconds covered up to each edge; what closes later than it counts in part."""
        frame = pl.DataFrame({"end": ends}).select(edge.alias("time")).with_row_index("row")
        hit = frame.sort("time").join_asof(sums, on="time", strategy="forward").sort("row")
        part = (pl.col("closing") - pl.col("time")).dt.total_seconds() / fine_s
        return hit.select(
            total=pl.when(part < 1).then(pl.col("total") - pl.col("rain") * part),
            seconds=pl.when(part < 1).then(pl.col("seconds") - fine_s * part),
        )

    begin, end = until(pl.col("end") - timedelta(seconds=length_s)), until(pl.col("end"))
    # the begin of the first interval is the end of the one before it, which may not be there
    whole = ((end["seconds"] - begin["seconds"]) - length_s).abs() < 1.0
    frame = pl.DataFrame({"time": ends, "fine": end["total"] - begin["total"], "whole": whole})
    return frame.select("time", fine=pl.when("whole").then("fine"))
