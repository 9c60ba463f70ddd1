"""Times that occur more than once with different values: several instruments, told by a column.

Whatever its heading, the column that tells them apart is the one with which no time (and depth)
stands twice. Where there is none, it is asked: such a file is of several probes or observers.
"""

import re
from collections.abc import Iterator
from itertools import combinations

import polars as pl

from flows.base.plain_text import counted
from flows.setup.sniff import headings
from flows.setup.sniff.finding import Grid, Sure
from flows.setup.sniff.stamps import Stamps, share, span_days

MOST_NAMES = 500
MOST_DEPTHS = 20  # so few bare numbers may as well be depths
STILL_TWICE = 0.005  # of the rows may still be twice with the column that tells them apart
DAY_S = 86400


def telling_column(
    grid: Grid, found: Stamps, keys: tuple[int, ...], taken: tuple[int, ...]
) -> tuple[int, ...]:
    """Find the column that tells rows of one time apart; none if times do not repeat or none does.

    Two columns may do so together: then one that joins them is added to the grid and comes first.

    ``keys`` are the columns that make a row what it is beside its time (instrument, series,
    depth), ``taken`` all columns that are spoken for. What stays open is noted as a question.
    """
    rows = grid.rows.with_columns(found.local.alias("time")).drop_nulls("time").unique()
    own = ["time", *(f"c{i}" for i in keys)]
    times = rows.group_by(own).len()
    twice = rows.height - times.height
    if twice <= _doubled_hours(found, times.height):
        return ()
    usual = sorted(times.filter(pl.col("len") > 1)["len"].mode().to_list())[-1]
    left = [
        i
        for i, name in enumerate(grid.names)
        if i not in taken and headings.heading(name).quantity is None
    ]
    tells = [i for i in left if _tells(rows, own, [i], usual)]
    at = min(tells, key=lambda i: rows[f"c{i}"].n_unique(), default=None)
    named = grid.layout.get("instrument_column")
    if at is not None and named is None:
        _note(grid, rows, at, usual)
        return (at,)
    pair = next(_pairs(rows, own, usual, left), None)
    if at is not None and isinstance(named, str):
        pair = (grid.names.index(named), at)
        return (_join(grid, pair, usual, "; or does the second tell the sensor?"), *pair)
    if pair is not None and named is None:
        return (_join(grid, pair, usual), *pair)
    _ask(grid, usual, own, times=times, pair=pair)
    return ()


def _doubled_hours(found: Stamps, times: int) -> float:
    """Rows that the hours at the end of daylight saving may repeat."""
    if not 0 < found.step_s < DAY_S:
        return 0.0
    rows_a_step = times / max(found.local.drop_nulls().n_unique(), 1)
    return (span_days(found.local) / 365 + 1) * 3600 / found.step_s * rows_a_step


def _tells(rows: pl.DataFrame, own: list[str], places: list[int], usual: int) -> bool:
    """Whether columns name what the rows of one time are of: few names, and no time twice."""
    named = [f"c{i}" for i in places]
    names = rows.select(named).unique()
    if not usual <= names.height <= min(MOST_NAMES, rows.height / 3) or any(
        share(rows[c].str.contains(r"^[+-]?\d*[.,]\d+$")) > 0.5 for c in named
    ):
        return False
    return rows.height - rows.select(*own, *named).unique().height <= STILL_TWICE * rows.height


def _note(grid: Grid, rows: pl.DataFrame, at: int, usual: int) -> None:
    name = grid.names[at]
    names = sorted({str(n) for n in rows[f"c{at}"].to_list() if n})
    shown = ", ".join(names[:4]) + (", …" if len(names) > 4 else "")
    why = (
        f"each time occurs {counted(usual, 'time')}, and '{name}' tells them apart: "
        f"{counted(len(names), 'instrument')} ({shown}), which must be names or ids in farm.toml"
    )
    numbers = [n for n in names if re.fullmatch(r"-?\d{1,3}", n)]
    if len(numbers) == len(names) <= MOST_DEPTHS:
        why += "; or are they depths?"
    sure = Sure.UNSURE if why.endswith("?") else Sure.LIKELY
    grid.layout["instrument_column"] = name
    grid.note("instrument_column", name, sure, why)


def _join(grid: Grid, pair: tuple[int, int], usual: int, question: str = "") -> int:
    """Add a column that joins two by a space, as the door does; returns its place."""
    names = [grid.names[i] for i in pair]
    at = len(grid.names)
    joined = pl.concat_str([f"c{i}" for i in pair], separator=" ").alias(f"c{at}")
    grid.rows = grid.rows.with_columns(joined)
    grid.names = [*grid.names, " ".join(names)]
    grid.layout["instrument_column"] = names
    words = sorted({str(n) for n in grid.rows[f"c{at}"].to_list()})
    shown = ", ".join(words[:4]) + (", …" if len(words) > 4 else "")
    why = (
        f"each time occurs {counted(usual, 'time')}, and '{names[0]}' and '{names[1]}' together tell them "
        f"apart: {counted(len(words), 'instrument')} ({shown}), which must be names or ids in farm.toml"
    )
    sure = Sure.UNSURE if question else Sure.LIKELY
    grid.note_again("instrument_column", names, sure, why + question)
    return at


def _ask(
    grid: Grid,
    usual: int,
    own: list[str],
    *,
    times: pl.DataFrame,
    pair: tuple[int, int] | None,
) -> None:
    what = "time and depth" if len(own) > 1 else "time"
    often = times.filter(pl.col("len") > 1).height
    many = (
        "each"
        if often >= 0.9 * times.height
        else f"{often:,} of {counted(times.height, 'time')}: each"
    )
    why = (
        f"{many} {what} occurs {counted(usual, 'time')} with different values; "
        "which column tells the probe, station or observer?"
    )
    if pair is not None:
        why += f" '{grid.names[pair[0]]}' and '{grid.names[pair[1]]}' together do."
    grid.note("instrument_column", "none", Sure.UNSURE, why)


def _pairs(
    rows: pl.DataFrame, own: list[str], usual: int, left: list[int]
) -> Iterator[tuple[int, int]]:
    """Pairs of columns that tell the rows of one time apart together (a plot and its sensor)."""
    for pair in combinations(left[:12], 2):
        if _tells(rows, own, list(pair), usual):
            yield pair
