"""What every reader takes and gives: a delivery's bytes, chunks of its rows, and its faults.

A reader knows how a file is laid out, not what its values mean. It yields ``Chunk``s whose frame
has ``line`` and the columns that the layout names, under the names of ``roles``: values may be
text (as they stood) or numbers (where the reader could read the whole column at once).
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass

import polars as pl

from schemas.farm.layout import Layout

FAULTS = pl.Schema(
    {
        "line": pl.Int64(),
        "column_name": pl.String(),
        "extent": pl.String(),
        "cause": pl.String(),
        "found": pl.String(),
        "expected": pl.String(),
    }
)


FLAG_OF = "f:"  # begins the role of the flags of one column


class Unreadable(Exception):
    """The whole delivery cannot be read by its layout: cause, what was found, what was expected."""

    def __init__(self, cause: str, found: str, expected: str) -> None:
        super().__init__(f"{cause}: found {found}; expected {expected}")
        self.cause, self.found, self.expected = cause, found, expected


@dataclass(frozen=True, slots=True)
class Content:
    """A delivery's bytes: those before its own rows (a continued file's head) and its own."""

    name: str
    lines_before: int
    before: Callable[[], Iterator[bytes]]
    own: Callable[[], Iterator[bytes]]


@dataclass(frozen=True, slots=True)
class Chunk:
    """Some rows of a delivery.

    ``frame`` has ``line`` and the columns of ``roles``; ``faults`` the rows that are not in it
    because their shape was wrong; ``raw`` gives the text of a line; ``absent`` the layout's
    columns that the file does not have. ``member`` names the file of an archive that they stand
    in; lines are then counted on from file to file. ``names``: headings of the cells of ``raw``,
    where they are parted by tabs.
    """

    frame: pl.DataFrame
    faults: pl.DataFrame
    raw: Callable[[int], str]
    absent: tuple[str, ...] = ()
    member: str = ""
    names: tuple[str, ...] = ()

    @property
    def last_line(self) -> int:
        """The highest line number in it, 0 where it is empty."""
        ends = (self.frame["line"].max(), self.faults["line"].max())
        return max(int(end) for end in (0, *ends) if isinstance(end, int))

    @property
    def first_line(self) -> int:
        """The lowest line number in it, 0 where it is empty."""
        starts = (self.frame["line"].min(), self.faults["line"].min())
        return min((int(n) for n in starts if isinstance(n, int)), default=0)

    def shifted(self, lines: int, member: str) -> Chunk:
        """That of a file in an archive, its lines counted on from the files before it."""
        return Chunk(
            self.frame.with_columns(pl.col("line") + lines),
            self.faults.with_columns(pl.col("line") + lines),
            lambda line: self.raw(line - lines),
            self.absent,
            member,
            self.names,
        )

    def parsed(self) -> Chunk:
        """Itself (what a reader cut out but did not parse is parsed here, see ``sections``)."""
        return self


def roles(layout: Layout) -> dict[str, tuple[str, ...]]:
    """Return role name in a chunk's frame → the headings that it may stand under."""
    found: dict[str, tuple[str, ...]] = {
        f"time_{i}": (name,) for i, name in enumerate(layout.time.columns)
    }
    for i, name in enumerate(layout.instrument_columns):
        found[f"instrument_{i + 1}" if i else "instrument"] = (name,)
    for role in ("series", "value", "depth", "sensor", "flag"):
        heading = getattr(layout, f"{role}_column")
        if heading is not None:
            found[role] = (heading,)
    if layout.rain_days_column is not None:
        found["days"] = (layout.rain_days_column,)
    if layout.series_column is None:
        for name, rule in layout.columns.items():
            found[f"v:{name}"] = (name, *rule.names)
        for name, rule in layout.columns.items():
            if rule.flag is not None:
                found[FLAG_OF + name] = (rule.flag,)
    return found


def is_needed(role: str, found: Collection[str]) -> bool:
    """Return whether a file cannot be read without a role, those ``found`` being there.

    A column of values may lack, but not the flags of one that is there.
    """
    if role.startswith(FLAG_OF):
        return f"v:{role.removeprefix(FLAG_OF)}" in found
    return not is_value(role)


def absent_columns(layout: Layout, found: Collection[str]) -> tuple[str, ...]:
    """Return the layout's required value columns whose role is not among those ``found``."""
    wanted = roles(layout)
    there = {role.removeprefix("v:") for role in found if is_value(role)}
    return tuple(n for n in layout.lacking(there) if f"v:{n}" in wanted)


Fault = tuple[int, str, str, str, str, str]  # a row of ``FAULTS``


def is_value(role: str) -> bool:
    """Return whether a role holds measured values."""
    return role == "value" or role.startswith("v:")


def missing_words(layout: Layout) -> list[str]:
    """Missing codes of the layout and its columns that are not numbers."""
    codes = [*layout.missing, *(code for rule in layout.columns.values() for code in rule.missing)]
    return sorted({str(code) for code in codes if as_number(code) is None} | {""})


def as_number(code: str | float) -> float | None:
    """Return a missing code as a number, or None where it is a word."""
    try:
        return float(code)
    except ValueError:
        return None


def faults(rows: list[Fault]) -> pl.DataFrame:
    """Return a fault frame from rows of (line, column, extent, cause, found, expected)."""
    return pl.DataFrame(rows, schema=FAULTS, orient="row")


def records(
    rows: list[dict[str, str | None]], lines: list[int], layout: Layout, raw: Callable[[int], str]
) -> Chunk:
    """Return a chunk of records that a reader took apart itself: one dict a row, by role."""
    names = list(roles(layout))
    frame = pl.DataFrame(
        {name: [row.get(name) for row in rows] for name in names},
        schema=dict.fromkeys(names, pl.String),
    )
    absent = absent_columns(layout, {name for row in rows for name in row})
    numbered = frame.select(pl.Series("line", lines, dtype=pl.Int64), pl.all())
    return Chunk(numbered, faults([]), raw, absent)
