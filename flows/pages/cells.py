"""Values that know the published table, column and row they were read from, and pages of them.

No sentence holds a digit of its own: every number in a digest or report is a cell of a published
table, so that each can be looked up with SQL.
"""

import string
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any

from schemas.catalogue import EVERY
from schemas.table import Column
from transforms.methods.comparisons import OWN

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Cell:
    """One value of a published table; a ``bare`` number is shown without its unit, which follows later."""

    value: Any
    table: str
    column: str
    key: tuple[tuple[str, Any], ...]
    crop: str | None = None
    partial: bool = False
    signed: bool = False
    bare: bool = False

    @property
    def declared(self) -> Column:
        """The column's declaration: its kind and unit."""
        return EVERY[self.table][self.column]

    @property
    def known(self) -> bool:
        """Whether there is a value."""
        return self.value is not None


MONTHS = (
    *("January", "February", "March", "April", "May", "June", "July"),
    *("August", "September", "October", "November", "December"),
)


def written(day: date) -> str:
    """Return a day as people write it, such as 5 July 2025; the same whatever the computer's language."""
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"


@dataclass(frozen=True, slots=True)
class Frame:
    """Text of the page itself that is in no table: the week, its days, the day the page was made."""

    text: str


Part = str | Cell | Frame
Phrase = tuple[Part, ...]


def cell(table: str, row: Row, column: str, *, signed: bool = False, bare: bool = False) -> Cell:
    """Return the cell of a row of a published table; its declaration gives kind, unit and key."""
    declared = EVERY[table]
    key = tuple((name, row.get(OWN + name, row[name])) for name in declared.key)
    crop = row.get("crop") if "crop" in declared.names else None
    partial = bool(row.get("partial")) if "partial" in declared.names else False
    return Cell(row[column], table, column, key, crop, partial, signed, bare)


# Constants that sentences may name: the confidence of every interval and of a lead's, the US number to
# call before digging.
CONSTANTS = ("95%", "90%", "811")
# Pages mention coverage only below this share of the data.
WHOLE = 0.95


def words(value: str) -> str:
    """Return words of ours as part of a sentence; raise ValueError on a digit but in ``CONSTANTS``."""
    rest = value
    for constant in CONSTANTS:
        rest = rest.replace(constant, "")
    if any(character.isdigit() for character in rest):
        raise ValueError(f"'{value}' holds a number that no table vouches for")
    return value


def say(template: str, **given: Part | Phrase) -> Phrase:
    """Return a sentence with cells in its places; raise ValueError if its words hold a digit."""
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


def say_row(table: str, row: Row, template: str, **given: Part | Phrase) -> Phrase:
    """Return a sentence about one row of a published table.

    A place that is not given names a column; ``{column:+}`` shows its value with + or - (a
    departure, a response), ``{column:bare}`` without its unit. Raises ValueError if the words hold a digit.
    """
    columns = {
        name: cell(table, row, name, signed="+" in spec, bare="bare" in spec)
        for _, name, spec, _ in string.Formatter().parse(template)
        if name and spec is not None and name not in given
    }
    return say(template, **given, **columns)


def joined(phrases: list[Phrase], between: str = ", ", last: str = " and ") -> Phrase:
    """Join phrases to a list in a sentence."""
    out: list[Part] = []
    for i, phrase in enumerate(phrases):
        if i:
            out.append(last if i == len(phrases) - 1 else between)
        out.extend(phrase)
    return tuple(out)


@dataclass(frozen=True, slots=True)
class Line:
    """A sentence, the coverage behind it if that is below ``WHOLE``, and the reason if it is partial."""

    phrase: Phrase
    cover: Cell | None = None
    why: Cell | None = None

    def parts(self) -> Iterator[Part]:
        """Yield every part, in order."""
        yield from self.phrase
        yield from (c for c in (self.cover, self.why) if c is not None)


@dataclass(frozen=True, slots=True)
class Grid:
    """A small table: a caption, headings and rows; below it the reasons of the partial ones.

    The rows of one with ``records`` become blocks of named values on a phone and in text.
    """

    caption: Phrase
    heads: tuple[Phrase, ...]
    rows: tuple[tuple[Phrase, ...], ...]
    notes: tuple[Line, ...] = ()
    records: bool = False

    def parts(self) -> Iterator[Part]:
        """Yield every part, in order."""
        for phrase in (self.caption, *self.heads, *(one for row in self.rows for one in row)):
            yield from phrase
        for note in self.notes:
            yield from note.parts()


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture, its finding or question, and what it shows in words."""

    name: str
    title: Phrase
    says: Phrase
    image: bytes
    kind: str = "png"

    def parts(self) -> Iterator[Part]:
        """Yield every part, in order."""
        yield from self.title
        yield from self.says


Block = Line | Grid | Picture


@dataclass(frozen=True, slots=True)
class Section:
    """A heading, if any, and the blocks under it; ``level`` is that of the heading in HTML."""

    title: Phrase
    blocks: tuple[Block, ...]
    level: int = 2
    new_page: bool = False


def line(table: str, row: Row, template: str, **given: Part | Phrase) -> Line:
    """Return ``say_row`` with the row's coverage (below ``WHOLE``) and reason, if the table has them."""
    names = EVERY[table].names
    cover = cell(table, row, "coverage") if "coverage" in names else None
    why = cell(table, row, "reason") if "reason" in names and row.get("partial") else None
    return Line(
        say_row(table, row, template, **given),
        cover if cover is not None and cover.known and cover.value < WHOLE else None,
        why if why is not None and why.known else None,
    )


def row_cells(table: str, row: Row, *columns: str) -> tuple[Phrase, ...]:
    """Return the cells of these columns, each by itself as in a grid."""
    return tuple((cell(table, row, column),) for column in columns)


def grid(
    caption: Phrase, heads: Iterable[str], rows: list[tuple[Phrase, ...]], notes: list[Line]
) -> Grid:
    """Return a grid of rows under words as headings."""
    return Grid(caption, tuple((head,) for head in heads), tuple(rows), tuple(notes))


def grid_of(table: str, rows: list[Row], heads: dict[str, str], caption: Phrase) -> list[Grid]:
    """Return the rows as a grid, or nothing if there are none; ``heads`` are headings by column.

    The reasons of partial rows are below it, each once.
    """
    body = [row_cells(table, row, *heads) for row in rows]
    notes = {
        row["reason"]: Line(say_row(table, row, "{reason}."))
        for row in rows
        if row["partial"] and row["reason"]
    }
    return [grid(caption, heads.values(), body, list(notes.values()))] if rows else []


@dataclass(frozen=True, slots=True)
class Page:
    """A digest or a report."""

    title: Phrase
    under: Phrase
    sections: tuple[Section, ...]
    foot: tuple[Line, ...]

    def blocks(self) -> Iterator[Block]:
        """Yield all blocks, in order."""
        for section in self.sections:
            yield from section.blocks

    def parts(self) -> Iterator[Part]:
        """Yield every part, in order."""
        yield from self.title
        yield from self.under
        for section in self.sections:
            yield from section.title
            for block in section.blocks:
                yield from block.parts()
        for line in self.foot:
            yield from line.parts()

    def cells(self) -> Iterator[Cell]:
        """Yield every cell of a table that the page shows."""
        yield from (part for part in self.parts() if isinstance(part, Cell))


def made_on(day: date) -> Line:
    """Return the line at a page's foot that names the day it was made."""
    return Line(("Made on ", Frame(written(day)), " from the published tables."))
