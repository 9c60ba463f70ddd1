"""Lines of words inside delimited text: a second heading, a row of units, or the end of what can be read.

A logger that restarts writes its heading again, perhaps with other columns; a program that joins
files leaves the headings of all; new firmware may state other units. Rows below such a line that
are read by the heading above it would land in the wrong columns.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Sequence
from functools import cache

from flows.intake.readers.chunk import Unreadable, missing_words, roles
from schemas.farm.layout import Layout

LEAST_CELLS = 2
MOST_LIKE_HEADING = (
    0.6  # of the columns that a line of words fills, to be a heading of another kind
)
AGGREGATES = re.compile(
    r"(avg|ave|mean|min|max|smp|sample|tot(al)?|sum|std|wvc|inst|last|ts|rn)\.?"
)
NO_NUMBER = frozenset(
    ("", "nan", "na", "n/a", "null", "none", "nodata", "missing", "inf", "-", "m")
)
DIGITS = re.compile(r"\d{4}|\d:\d")  # a year or a clock time


@cache
def lines_of_words(delimiter: str, quote: str) -> re.Pattern[bytes]:
    """Return a pattern of lines (after their line end) in which no cell begins with a number.

    A depth may begin a cell (``10 cm``). It skips a row of data at its first number.
    """
    part, mark = (re.escape(one.encode()) for one in (delimiter, quote or '"'))
    number = rb"[-+]?[.,]?\d(?![\d.\-]* ?(?:cm|mm|in|inch|ft|m)\b)"
    cell = rb"[ \t]*+(?!%b?%b)(?:%b[^%b\n]*+%b|)[^%b\n]*+" % (mark, number, mark, mark, mark, part)
    # most rows begin with a digit: passing over them first is ten times faster
    first = rb"(?=%b?[^\d\n%b])" % (mark, mark)
    return re.compile(rb"\n%b%b(?:%b%b)*+(?=\n|\Z)" % (first, cell, part, cell))


def is_heading(
    cells: Sequence[str], in_force: Collection[str], layout: Layout, key: Callable[[str], str]
) -> bool:
    """Return whether most cells are names that the layout or the heading in force has.

    A line that has the names of the time columns is one too, whatever its other names.
    """
    filled = [key(cell) for cell in cells if cell.strip()]
    if len(filled) < LEAST_CELLS:
        return False
    known = {key(name) for names in roles(layout).values() for name in names}
    known |= {key(name) for name in in_force}
    times = {key(name) for name in layout.time.columns}
    return 2 * sum(name in known for name in filled) > len(filled) or times <= set(filled)


def check_no_other_heading(cells: Sequence[str], width: int, layout: Layout) -> None:
    """Raises Unreadable if a line of words looks like a heading of other columns."""
    filled = [cell.strip() for cell in cells if cell.strip()]
    if len(filled) < max(LEAST_CELLS, MOST_LIKE_HEADING * width) or len(set(filled)) < len(filled):
        return
    missing = NO_NUMBER.union(word.casefold() for word in missing_words(layout))
    if any(cell.casefold() in missing or DIGITS.search(cell) for cell in filled):
        return
    if all(AGGREGATES.fullmatch(cell.casefold()) for cell in filled[1:]):
        return
    expected = (
        f"rows under the heading before it, or a heading with {', '.join(layout.time.columns)}"
    )
    raise Unreadable("another heading", ", ".join(filled)[:300], expected)
