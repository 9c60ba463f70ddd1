"""Times that occur more than once with different values: several instruments, told by a column.

Whatever its heading, the column that tells them apart is the one with which no time (and depth)
stands twice. Where there is none, it is asked: such a file is of several probes or observers.
"""

import re
from collections.abc import Iterator
from itertools import combinations

import polars as pl

from flows.setup.sniff import headings
from flows.setup.sniff.finding import Grid, Sure
from flows.setup.sniff.stamps import Stamps, share, span_days

MOST_NAMES = 500
MOST_DEPTHS = 20  # so few bare numbers may as well be depths
STILL_TWICE = 0.005  # of the rows may still be twice with the column that tells them apart
DAY_S = 86400


def telling_column(
    grid: Grid, found: Stamps, keys: tuple[int, ...], taken: tuple[int, ...]
) -> int | None:
    """Find the column that tells rows of one time apart; None if times do not repeat or none does.

    ``keys`` are the columns that make a row what it is beside its time (instrument, series,
    depth), ``taken`` all columns that are spoken for. What stays open is noted as a question.
    """
    rows = grid.rows.with_columns(found.local.alias("time")).drop_nulls("time").unique()
    own = ["time", *(f"c{i}" for i in keys)]
    times = rows.group_by(own).len()
    twice = rows.height - times.height
    if twice <= _doubled_hours(found, times.height):
        return None
    usual = sorted(times.filter(pl.col("len") > 1)["len"].mode().to_list())[-1]
    left = [
        i
        for i, name in enumerate(grid.names)
        if i not in taken and headings.heading(name).quantity is None
    ]
    tells = [i for i in left if _tells(rows, own, [i], usual)]
    if tells and "instrument_column" not in grid.layout:
        at = min(tells, key=lambda i: rows[f"c{i}"].n_unique())
        _note(grid, rows, at, usual)
        return at
    _ask(grid, rows, own, usual, times=times, left=left)
    return None


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
        f"each time occurs {usual} times, and '{name}' tells them apart: {len(names)} instruments "
        f"({shown}), which must be names or ids in farm.toml"
    )
    numbers = [n for n in names if re.fullmatch(r"-?\d{1,3}", n)]
    if len(numbers) == len(names) <= MOST_DEPTHS:
        why += "; or are they depths?"
    sure = Sure.UNSURE if why.endswith("?") else Sure.LIKELY
    grid.layout["instrument_column"] = name
    grid.note("instrument_column", name, sure, why)


def _ask(
    grid: Grid,
    rows: pl.DataFrame,
    own: list[str],
    usual: int,
    *,
    times: pl.DataFrame,
    left: list[int],
) -> None:
    what = "time and depth" if len(own) > 1 else "time"
    often = times.filter(pl.col("len") > 1).height
    many = "each" if often >= 0.9 * times.height else f"{often:,} of {times.height:,} times: each"
    why = (
        f"{many} {what} occurs {usual} times with different values; "
        "which column tells the probe, station or observer?"
    )
    pair = next(_pairs(grid, rows, own, usual, left), None)
    if pair is not None:
        why += f" '{pair[0]}' and '{pair[1]}' together do."
    grid.note("instrument_column", "none", Sure.UNSURE, why)


def _pairs(
    grid: Grid, rows: pl.DataFrame, own: list[str], usual: int, left: list[int]
) -> Iterator[tuple[str, str]]:
    """Pairs of columns that tell the rows of one time apart together (a plot and its sensor)."""
    for pair in combinations(left[:12], 2):
        if _tells(rows, own, list(pair), usual):
            yield grid.names[pair[0]], grid.names[pair[1]]
