"""A file whose lines contradict each other: several instruments that the layout does not tell apart.

Where one time and depth stands on many lines with different values, only one of them could be kept,
so nothing of the file is. Another column of it usually tells the instruments apart: it is looked
for and named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import polars as pl

from flows.base.plain_text import counted
from flows.intake.readers.by_format import cutter_of
from flows.intake.readers.chunk import Chunk, Content, Unreadable, roles
from flows.intake.readers.json_records import parsed
from flows.intake.readers.sections import Section
from schemas.farm.layout import Layout

CAUSE = "lines that contradict each other"
# Common practice, no source: a logger that restarts, or whose clock was set back, writes some times
# twice. More than that is a file of several instruments, or of several observers.
LEAST_SHARE = 0.01  # of a file's values
MANY_TIMES, MOST_OF_FEW = 10, 0.3
SAMPLE_BYTES = 64 << 20  # of text in which the column is looked for
PAIRS_OF = 12  # columns that are tried in pairs where none does it alone
SHOWN = 3
OTHER = "x:"  # begins the names of columns that the layout gives no role
TELL_DEPTH = {"depth", "sensor", "series"}
JSON = ("json", "ndjson", "sensorthings")

Cause = tuple[str, str, str]  # cause, found, expected


class Contradictory(Exception):
    """Deliveries contradict themselves (``counts`` by sequence); the transaction is void."""

    def __init__(self, counts: dict[int, Contradicted]) -> None:
        super().__init__(f"{counted(len(counts), 'file')} with contradictions")
        self.counts = counts


@dataclass(frozen=True, slots=True)
class Contradicted:
    """How many of a delivery's values contradict another line of it, and at how many times."""

    values: int
    of: int
    times: int

    @property
    def is_too_much(self) -> bool:
        """Return whether no value of the delivery can be trusted.

        Few lines say little: in a short one, most of them have to contradict each other.
        """
        share = self.values / max(self.of, 1)
        if share <= LEAST_SHARE:
            return False
        few = self.times > 1 and share >= MOST_OF_FEW
        return self.times >= MANY_TIMES or few or share > 1 / 2


def cause_of(content: Content, layout: Layout, seen: Contradicted) -> Cause:
    """Return the cause of a rejection: what contradicts, and the column that would tell it apart."""
    rows, keys = _sample(content, layout)
    found = f"{seen.values:,} of {counted(seen.of, 'value')} differ from another line of their time"
    if not rows.is_empty():
        most = int(rows.select(pl.len().over(keys).max()).item())
        at = "time and depth" if TELL_DEPTH & set(keys) else "time"
        found += f"; each {at} occurs up to {most:,} times"
    return CAUSE, found, _expected(rows, keys, telling_columns(rows, keys))


def _expected(rows: pl.DataFrame, keys: Sequence[str], columns: Sequence[str]) -> str:
    if not columns:
        return "one line for each time and sensor; no column of the file tells the lines apart"
    named = " and ".join(f"'{name.removeprefix(OTHER)}'" for name in columns)
    entries = rows.select(columns).unique().sort(columns)
    shown = ["/".join(map(str, row)) for row in entries.head(SHOWN).rows()]
    more = ", …" if entries.height > SHOWN else ""
    tells = f"{counted(entries.height, 'entry')}: {', '.join(shown)}{more}"
    if len(columns) > 1:
        return f"one line for each time and sensor; the columns {named} tell them apart ({tells})"
    use = "instrument_column"
    if not TELL_DEPTH & set(keys):
        use += ", or as depth_column or sensor_column if it tells the depth"
    return f"a layout that names the column {named} ({tells}) as {use}"


def telling_columns(rows: pl.DataFrame, keys: Sequence[str]) -> tuple[str, ...]:
    """Return the column (or the two) that tells rows of one key apart; empty if there is none.

    ``rows``: ``keys`` and the other columns, as text. Of several that do, the one with the fewest
    different entries, words before numbers: a measured value differs nearly everywhere.
    """
    others = [name for name in rows.columns if name not in keys]
    if not others or rows.is_empty():
        return ()
    different = rows.select(pl.col(others).n_unique()).row(0, named=True)
    numbers = pl.col(others).cast(pl.Float64, strict=False).is_not_null().any()
    is_number = rows.select(numbers).row(0, named=True)
    one_time = rows.select(keys).n_unique() == 1
    most = rows.height if one_time else rows.height // 2
    likely = [name for name in others if 2 <= different[name] <= most]
    likely.sort(key=lambda name: (different[name], is_number[name]))
    for columns in [*((n,) for n in likely), *combinations(likely[:PAIRS_OF], 2)]:
        if rows.select(*keys, *columns).is_duplicated().sum() <= LEAST_SHARE * rows.height:
            return columns
    return ()


def _sample(content: Content, layout: Layout) -> tuple[pl.DataFrame, list[str]]:
    """Return the first rows of a file as text: the keys by role, then the columns of no role."""
    frames: list[pl.DataFrame] = []
    size = 0.0
    try:
        for piece in cutter_of(layout)(content, layout):
            if size > SAMPLE_BYTES:
                break
            frame = _of_section(piece) if isinstance(piece, Section) else _of_chunk(piece, layout)
            frames.append(frame)
            size += frame.estimated_size()
    except Unreadable:
        pass  # what was read until there
    if not frames:
        return pl.DataFrame(), []
    rows = pl.concat(frames, how="diagonal")
    return rows, [name for name in rows.columns if not name.startswith(OTHER)]


def _tells_place(role: str) -> bool:
    """Return whether a role says when or where a line was measured."""
    return role.startswith(("time_", "instrument")) or role in TELL_DEPTH


def _of_section(section: Section) -> pl.DataFrame:
    """Return a section's columns as text, but for those of measured values."""
    taken = section.places.values()
    places = {role: place for role, place in section.places.items() if _tells_place(role)}
    places |= {OTHER + name: i for i, name in enumerate(section.names) if i not in taken}
    return replace(section, places=places).parsed().frame.drop("line")


def _of_chunk(chunk: Chunk, layout: Layout) -> pl.DataFrame:
    """Return the same of rows that a reader took apart itself; their text has the other cells."""
    keys = chunk.frame.select("line", *filter(_tells_place, chunk.frame.columns))
    known = {heading for headings in roles(layout).values() for heading in headings}
    cells = [_cells(chunk.raw(line), chunk.names, layout) for line in keys["line"]]
    names = dict.fromkeys(name for row in cells for name in row if name not in known)
    others = pl.DataFrame(
        {OTHER + name: [row.get(name) for row in cells] for name in names},
        schema=dict.fromkeys((OTHER + name for name in names), pl.String),
    )
    return pl.concat([keys.drop("line"), others], how="horizontal")


def _cells(raw: str, names: tuple[str, ...], layout: Layout) -> dict[str, str]:
    """Return a line's cells by heading: a sheet's under its headings, a record's by their keys."""
    if names:
        return dict(zip(names, raw.split("\t"), strict=False))
    if layout.format not in JSON:
        return {}
    record = parsed(raw)
    return (
        {k: v for k, v in record.items() if isinstance(v, str)} if isinstance(record, dict) else {}
    )
