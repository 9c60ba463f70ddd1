"""A row of a field book while it is read, and what its sheet betrays of how it is written."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from flows.books.fieldbook import dates, units
from flows.books.fieldbook.columns import Column, Layout
from flows.books.fieldbook.files import Cell, Grid
from flows.books.fieldbook.problem import Problem, shown
from flows.farm.renames import Renames
from schemas.farm.farm import Farm
from schemas.fieldbook.parts import Reads
from schemas.shared_columns import SIDES


@dataclass(slots=True)
class Row:
    """One row: where it stands, what it says by column, and whether a fault rejects it.

    ``headings`` keeps the heading as written for each landing column, ``bushels`` the values that
    wait for the crop's bushel weight (value and unit by column), ``former`` the former name of its
    field or strip, if it is under one.
    """

    sheet: str
    number: int
    values: dict[str, Any] = field(default_factory=dict)
    headings: dict[str, str] = field(default_factory=dict)
    bushels: dict[str, tuple[float, str]] = field(default_factory=dict)
    rejected: bool = False
    former: str = ""


@dataclass(slots=True)
class Known:
    """What the cells of later sheets are compared with, and the reader's settings.

    ``farm``: the farm file with its instruments; without it their names are taken as written.
    ``renames``: the former names that the book lists. ``strips``: those of the sheet strips, by field.
    """

    crops: Mapping[str, float | None]
    currency: str | None
    day_first: bool | None
    farm: Farm | None = None
    renames: Renames = field(default_factory=Renames)
    fields: dict[str, str] = field(default_factory=dict)
    rejected_fields: set[str] = field(default_factory=set)
    strips: dict[str, dict[str, str]] = field(default_factory=dict)

    def strips_of(self, of_field: str | None) -> list[str]:
        """Return the names that a strip of a field may have."""
        own = self.strips.get(of_field, {}).values() if of_field else ()
        return list(dict.fromkeys([*SIDES, *own]))


@dataclass(slots=True)
class Reader:
    """Reads one grid: what its columns betray of marks and orders, and the faults so far."""

    grid: Grid
    layout: Layout
    known: Known
    problems: list[Problem]
    unitless: dict[int, int] = field(default_factory=dict)
    marks: dict[int, str | None] = field(default_factory=dict)
    orders: dict[int, dates.Order | None] = field(default_factory=dict)

    def body(self) -> Iterator[tuple[int, list[Cell]]]:
        """Yield the rows below the headings."""
        return ((n, c) for n, c in self.grid.rows if n > self.layout.row)

    def texts(self, place: int) -> list[str]:
        """Return the cells of a column that are words."""
        return [c[place] for _, c in self.body() if len(c) > place and isinstance(c[place], str)]  # type: ignore[misc]

    def look_ahead(self) -> None:
        """Find each column's decimal mark and order of day and month from all its cells."""
        numbers = {
            c.place: [w.digits for t in self.texts(c.place) if (w := units.written(t))]
            for c in self.layout.columns
            if c.heading.reads is Reads.NUMBER
        }
        whole_sheet = units.decimal_marks(d for digits in numbers.values() for d in digits)
        for place, digits in numbers.items():
            own = units.decimal_marks(digits)
            evidence = own if own else whole_sheet
            self.marks[place] = next(iter(evidence)) if len(evidence) == 1 else None
            if not evidence:
                self.marks[place] = self.grid.mark
        setting: dates.Order | None = (
            None
            if self.known.day_first is None
            else ("day first" if self.known.day_first else "month first")
        )
        for column in self.layout.columns:
            if column.heading.reads is Reads.DAY:
                betrayed = dates.orders(self.texts(column.place))
                self.orders[column.place] = (
                    next(iter(betrayed)) if len(betrayed) == 1 else None if betrayed else setting
                )

    def fault(
        self,
        row: Row,
        column: Column,
        cause: str,
        found: object,
        expected: str,
        *,
        reject: bool = False,
    ) -> None:
        """Name a fault of a cell: it costs the row if ``reject`` or if the column is needed."""
        reject |= column.needed
        row.rejected |= reject
        self.problems.append(
            Problem(
                self.grid.name,
                row.number,
                column.written,
                cause,
                shown(found),
                expected,
                "row" if reject else "value",
            )
        )

    def heading_fault(self, column: Column, cause: str, expected: str, rows: int) -> None:
        """Name a fault of a heading: it costs the rows if the column is needed, else the values."""
        self.problems.append(
            Problem(
                self.grid.name,
                self.layout.row,
                column.written,
                cause,
                shown(column.written),
                expected,
                "row" if column.needed else "value",
                rows,
            )
        )


def as_text(cell: Cell) -> str:
    """Return a cell as words: whole numbers without a point, days as ISO."""
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return cell.isoformat() if isinstance(cell, date) else str(cell)
