"""Values that know the published table, column and row they were read from, and sentences of them.

No sentence holds a digit of its own: every number in a digest or report is a cell of a published
table, so that each can be looked up with SQL.
"""

from __future__ import annotations

import string
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

from schemas.catalogue import TABLES
from schemas.table import Column

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Cell:
    """One value of a published table."""

    value: Any
    table: str
    column: str
    key: tuple[tuple[str, Any], ...]
    crop: str | None = None
    partial: bool = False
    signed: bool = False

    @property
    def declared(self) -> Column:
        """The column's declaration: its kind and unit."""
        return TABLES[self.table][self.column]

    @property
    def known(self) -> bool:
        """Whether there is a value."""
        return self.value is not None

    def with_sign(self) -> Cell:
        """The same, shown with + or - (a departure, a response)."""
        return replace(self, signed=True)


@dataclass(frozen=True, slots=True)
class Frame:
    """What frames the page and stands in no table: the week, its days, the day of making."""

    text: str


Part = str | Cell | Frame
Phrase = tuple[Part, ...]


def cell(table: str, row: Row, column: str) -> Cell:
    """The cell of a row read from a published table; its declaration gives kind, unit and key."""
    declared = TABLES[table]
    key = tuple((name, row[name]) for name in declared.key)
    crop = row.get("crop") if "crop" in declared.names else None
    partial = bool(row.get("partial")) if "partial" in declared.names else False
    return Cell(row[column], table, column, key, crop, partial)


def words(value: str) -> str:
    """A value of ours that is no number, as part of a sentence; raises ValueError on a digit."""
    if any(character.isdigit() for character in value):
        raise ValueError(f"'{value}' holds a number that no table vouches for")
    return value


def say(template: str, **given: Part | Phrase) -> Phrase:
    """A sentence with cells in its places; raises ValueError where the words hold a digit."""
    parts: list[Part] = []
    for literal, name, _, _ in string.Formatter().parse(template):
        if literal:
            parts.append(words(literal))
        if name:
            value = given[name]
            if isinstance(value, tuple):
                parts.extend(value)
            else:
                parts.append(words(value) if isinstance(value, str) else value)
    return tuple(parts)


def joined(phrases: list[Phrase], between: str = ", ", last: str = " and ") -> Phrase:
    """Phrases as a list in a sentence."""
    out: list[Part] = []
    for i, phrase in enumerate(phrases):
        if i:
            out.append(last if i == len(phrases) - 1 else between)
        out.extend(phrase)
    return tuple(out)


@dataclass(frozen=True, slots=True)
class Line:
    """A sentence, with the coverage behind it and why it is partial."""

    phrase: Phrase
    cover: Cell | None = None
    why: Cell | None = None

    def parts(self) -> Iterator[Part]:
        """All that it says."""
        yield from self.phrase
        yield from (c for c in (self.cover, self.why) if c is not None)


@dataclass(frozen=True, slots=True)
class Grid:
    """A small table: a caption, headings, and rows; below it why some are partial."""

    caption: Phrase
    heads: tuple[Phrase, ...]
    rows: tuple[tuple[Phrase, ...], ...]
    notes: tuple[Line, ...] = ()


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture, its question, and in words what it shows."""

    name: str
    title: Phrase
    says: Phrase
    image: bytes
    kind: str = "png"


Block = Line | Grid | Picture


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and what stands under it; a report's sections lie in one another."""

    title: Phrase
    blocks: tuple[Block, ...]
    level: int = 2
    new_page: bool = False


def line(table: str, row: Row, template: str, **given: Part | Phrase) -> Line:
    """A sentence about one row, with the row's coverage and reason where the table has them."""
    names = TABLES[table].names
    cover = cell(table, row, "coverage") if "coverage" in names else None
    why = cell(table, row, "reason") if "reason" in names and row.get("partial") else None
    return Line(
        say(template, **given),
        cover if cover is not None and cover.known else None,
        why if why is not None and why.known else None,
    )
