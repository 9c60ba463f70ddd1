"""Fixed-width text taken apart: columns end where no line has a character."""

import numpy as np
import polars as pl

from flows.base.plain_text import counted
from flows.setup.sniff.finding import CannotSniff, Grid, Sure
from flows.setup.sniff.heading_words import is_data, is_units

LINES = 4000  # that are looked at at once


def grid(lines: list[str]) -> Grid:
    """A fixed-width export as a grid; raises CannotSniff."""
    first = next((i for i, line in enumerate(lines) if _rows_from(lines, i)), None)
    if first is None:
        raise CannotSniff("No rows of values can be found in it.")
    body = [line for line in lines[first:] if line.strip()]
    spans = _spans(body)
    if len(spans) < 2:
        raise CannotSniff("No columns could be found in its lines.")
    heads = [i for i in range(max(0, first - 3), first) if lines[i].strip()]
    cut_heads = {i: [lines[i][a - 1 : b].strip() for a, b in _widened(spans)] for i in heads}
    naming = [i for i in heads if not is_units(cut_heads[i])]
    written = cut_heads[naming[-1]] if naming else [""] * len(spans)
    names = [name or f"column {i + 1}" for i, name in enumerate(written)]
    names = [n if names.index(n) == i else f"{n}#{i + 1}" for i, n in enumerate(names)]
    units = next((cut_heads[i] for i in heads if is_units(cut_heads[i])), [""] * len(names))
    rows = pl.DataFrame(
        {f"c{i}": [line[a - 1 : b].strip() for line in body] for i, (a, b) in enumerate(spans)}
    )
    layout = {
        "format": "fixed",
        "skip": first,
        "header": 0,
        "fields": {name: [a, b] for name, (a, b) in zip(names, _widened(spans), strict=True)},
    }
    found = Grid(names, rows, layout, units)
    found.note(
        "fields", counted(len(spans), "column"), Sure.LIKELY, "no row has a character between them"
    )
    return found


def _rows_from(lines: list[str], at: int) -> bool:
    some = [line.split() for line in lines[at : at + 3]]
    return bool(some) and all(len(row) > 1 and is_data(row) for row in some)


def _spans(lines: list[str]) -> list[tuple[int, int]]:
    """First and last character (from 1) of each run of characters that some line fills."""
    width = max(map(len, lines))
    filled = np.zeros(width, dtype=bool)
    for at in range(0, len(lines), LINES):  # every line: a long value may come late
        some = [line.ljust(width) for line in lines[at : at + LINES]]
        letters = np.array(some).view("U1").reshape(len(some), width)
        filled |= (letters != " ").any(axis=0)
    edges = np.flatnonzero(np.diff(filled, prepend=False, append=False)).tolist()
    return [(start + 1, end) for start, end in zip(edges[::2], edges[1::2], strict=True)]


def _widened(spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Spans that reach back to the end of the one before: values are written flush right."""
    ends = [first - 1 for first, _ in spans[:1]] + [last for _, last in spans[:-1]]
    return [(end + 1, last) for end, (_, last) in zip(ends, spans, strict=True)]
