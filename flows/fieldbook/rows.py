"""The cells of a sheet as typed rows, each fault named."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from flows.fieldbook import dates, units
from flows.fieldbook.columns import Column, Layout
from flows.fieldbook.files import Cell, Grid, Unsaved
from flows.fieldbook.problem import Problem, nearest, shown
from schemas.catalogue import TABLES
from schemas.fieldbook import Heading, Reads
from schemas.fieldbook_words import CROP_WORDS, EXAMPLE, NO, WORDS, YES


@dataclass(slots=True)
class Row:
    """One row: where it stands, what it says by column, and whether a fault refuses it.

    ``headings`` keeps the heading as written for each landing column, ``bushels`` the values that
    wait for the crop's bushel weight (value and unit by column).
    """

    sheet: str
    number: int
    values: dict[str, Any] = field(default_factory=dict)
    headings: dict[str, str] = field(default_factory=dict)
    bushels: dict[str, tuple[float, str]] = field(default_factory=dict)
    refused: bool = False


@dataclass(slots=True)
class Known:
    """What the cells of later sheets are held against, and the reader's settings."""

    crops: Mapping[str, float | None]
    currency: str | None
    day_first: bool | None
    fields: dict[str, str] = field(default_factory=dict)
    refused_fields: set[str] = field(default_factory=set)


@dataclass(slots=True)
class _Reader:
    """Reads one grid: what its columns betray of marks and orders, and the faults so far."""

    grid: Grid
    layout: Layout
    known: Known
    problems: list[Problem]
    unitless: set[int] = field(default_factory=set)
    marks: dict[int, str | None] = field(default_factory=dict)
    orders: dict[int, dates.Order | None] = field(default_factory=dict)

    def body(self) -> Iterator[tuple[int, list[Cell]]]:
        return ((n, c) for n, c in self.grid.rows if n > self.layout.row)

    def texts(self, place: int) -> list[str]:
        return [c[place] for _, c in self.body() if len(c) > place and isinstance(c[place], str)]  # type: ignore[misc]

    def look_ahead(self) -> None:
        """Finds each column's decimal mark and order of day and month from all its cells."""
        numbers = {
            c.place: [w.digits for t in self.texts(c.place) if (w := units.written(t))]
            for c in self.layout.columns
            if c.heading.reads is Reads.NUMBER
        }
        whole_sheet = units.marks(d for digits in numbers.values() for d in digits)
        for place, digits in numbers.items():
            own = units.marks(digits)
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
        self, row: Row, column: Column, cause: str, found: object, expected: str, *, refuse: bool
    ) -> None:
        row.refused |= refuse
        self.problems.append(
            Problem(
                self.grid.name,
                row.number,
                column.written,
                cause,
                shown(found),
                expected,
                "row" if refuse else "value",
            )
        )


def rows_of(grid: Grid, layout: Layout, known: Known) -> tuple[list[Row], list[Problem]]:
    """The rows of a grid, examples passed over; refused ones are among them, marked."""
    reader = _Reader(grid, layout, known, [])
    reader.look_ahead()
    rows = []
    for number, cells in reader.body():
        first = next((c for c in cells if c is not None), None)
        if isinstance(first, str) and first.lower().startswith(EXAMPLE):
            continue
        row = Row(grid.name, number)
        for column in layout.columns:
            cell = cells[column.place] if column.place < len(cells) else None
            _read(reader, row, column, cell)
        rows.append(row)
    return rows, reader.problems


def _read(reader: _Reader, row: Row, column: Column, cell: Cell) -> None:
    heading = column.heading
    for landing in heading.columns:
        row.headings.setdefault(landing, column.written)
    refuse = heading.must or heading.vital
    if cell is None:
        if heading.must:
            reader.fault(row, column, "the cell is empty", "", heading.help, refuse=True)
        return
    if isinstance(cell, Unsaved):
        reader.fault(
            row,
            column,
            "a formula has no stored value",
            cell.formula,
            "a value; open the workbook and save it in a spreadsheet program",
            refuse=refuse,
        )
        return
    if isinstance(cell, str) and cell.startswith("#") and cell.rstrip("!?").isupper():
        reader.fault(row, column, "the cell holds an error", cell, heading.help, refuse=refuse)
        return
    READ[heading.reads](reader, row, column, cell)


def _as_text(cell: Cell) -> str:
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return cell.isoformat() if isinstance(cell, date) else str(cell)


def _text(_: _Reader, row: Row, column: Column, cell: Cell) -> None:
    row.values[column.heading.columns[0]] = _as_text(cell)


def _field(reader: _Reader, row: Row, column: Column, cell: Cell) -> None:
    said = _as_text(cell)
    name = said.lower()
    known = reader.known
    if reader.layout.sheet.name == "fields":
        row.values["field"] = said
    elif name in known.fields:
        row.values["field"] = known.fields[name]
    elif name in known.refused_fields:
        row.refused = True  # its fault is named on the sheet fields
    else:
        expected = nearest(name, list(known.fields.values()), "a field of the sheet fields")
        reader.fault(row, column, "the field is not known", said, expected, refuse=True)


def _crop(reader: _Reader, row: Row, column: Column, cell: Cell) -> None:
    said = _as_text(cell).lower().replace("_", " ").replace("-", " ")
    said = " ".join(said.split())
    crop = CROP_WORDS.get(said, said).replace(" ", "_")
    if crop in reader.known.crops:
        row.values["crop"] = crop
        return
    names = [c.replace("_", " ") for c in sorted(reader.known.crops)]
    inside = [n for n in names if said in n.split()]
    expected = " or ".join(inside) if inside else nearest(said, names, "a crop of the crop list")
    reader.fault(row, column, "the crop is not known", _as_text(cell), expected, refuse=True)


def _season(reader: _Reader, row: Row, column: Column, cell: Cell) -> None:
    said = _as_text(cell)
    first, _, second = said.replace("-", "/").partition("/")
    year = first.strip() if not second else second.strip()
    if second and len(year) == 2:
        year = first.strip()[:2] + year
    if isinstance(cell, date):
        year = str(cell.year)
    if year.isdigit() and 1900 <= int(year) <= 2200:
        row.values["season"] = int(year)
    else:
        reader.fault(
            row, column, "the season is not a year", said, "the year of the harvest", refuse=True
        )


def _day(reader: _Reader, row: Row, column: Column, cell: Cell) -> None:
    heading = column.heading
    refuse = heading.must or heading.vital
    day = cell if isinstance(cell, date) else None
    if day is None and isinstance(cell, str | float):
        found = dates.parse(_as_text(cell), reader.orders.get(column.place))
        if found == "ambiguous":
            reader.fault(
                row,
                column,
                "day and month of the date could be exchanged",
                _as_text(cell),
                "a date such as 2021-05-08 or 8 May 2021 (or day_first in farm.toml)",
                refuse=refuse,
            )
            return
        day = found if isinstance(found, date) else None
    if day is None:
        reader.fault(
            row,
            column,
            "the date cannot be read",
            _as_text(cell),
            "a date such as 2021-05-08 or 8 May 2021",
            refuse=refuse,
        )
    else:
        row.values[heading.columns[0]] = day


def _word(reader: _Reader, row: Row, column: Column, cell: Cell) -> None:
    name = column.heading.columns[0]
    words = TABLES[reader.layout.sheet.table][name].one_of
    said = _as_text(cell).lower()
    word = WORDS.get(name, {}).get(said, said)
    if word in words:
        row.values[name] = word
    else:
        reader.fault(
            row,
            column,
            "the word is not known",
            said,
            nearest(said, list(words), "one of"),
            refuse=True,
        )


def _yes(_: _Reader, row: Row, column: Column, cell: Cell) -> None:
    said = _as_text(cell).lower()
    name = column.heading.columns[0]
    row.values[name] = said not in NO
    if said not in NO | YES:  # any other word says yes and why
        row.values.setdefault("why_left_out", _as_text(cell))


def _number(reader: _Reader, row: Row, column: Column, cell: Cell) -> None:
    heading = column.heading
    refuse = heading.must or heading.vital
    if isinstance(cell, bool | date) or cell is None or isinstance(cell, Unsaved):
        reader.fault(row, column, "the cell is not a number", cell, heading.help, refuse=refuse)
        return
    unit = column.unit
    if isinstance(cell, str):
        taken = units.written(cell)
        if taken is None:
            reader.fault(row, column, "the cell is not a number", cell, "a number", refuse=refuse)
            return
        if taken.unit:
            unit = units.expression(taken.unit)
            if unit is None:
                reader.fault(
                    row,
                    column,
                    "the unit is not known",
                    cell,
                    "a number, its unit in the heading",
                    refuse=refuse,
                )
                return
        number = units.value(taken.digits, reader.marks.get(column.place))
        if number is None:
            reader.fault(
                row,
                column,
                "comma or point could be decimal or thousands",
                cell,
                "a number such as 1250 or 1.25",
                refuse=refuse,
            )
            return
    else:
        number = float(cell)
    _land(reader, row, column, number, unit or heading.unit or None)


def _land(reader: _Reader, row: Row, column: Column, number: float, unit: str | None) -> None:
    """Puts a number where its unit says, or leaves it for the bushel weight or the unit column."""
    heading = column.heading
    table = TABLES[reader.layout.sheet.table]
    if unit is None:
        if "unit" in row.headings or any(c.heading.name == "unit" for c in reader.layout.columns):
            row.bushels[heading.columns[0]] = (number, "")
            return
        row.refused |= heading.must or heading.vital
        if column.place not in reader.unitless:
            reader.unitless.add(column.place)
            reader.problems.append(
                Problem(
                    reader.grid.name,
                    reader.layout.row,
                    column.written,
                    "the heading names no unit",
                    shown(column.written),
                    f"the unit in the heading, such as {heading.name} ({_suggested(heading)})",
                    "row" if heading.must or heading.vital else "value",
                )
            )
        return
    if reader.known.currency and (
        strange := units.currency_codes(column.written) - {reader.known.currency.upper()}
    ):
        reader.fault(
            row,
            column,
            "the money is not the farm's",
            ", ".join(strange),
            reader.known.currency,
            refuse=heading.must or heading.vital,
        )
        return
    for landing in heading.columns:
        by = units.factor(unit, table[landing].unit)
        if by is not None:
            if table[landing].unit == "percent" and by == 1 and 0 < number < 1:
                reader.fault(
                    row,
                    column,
                    "the per cent look like a fraction",
                    number,
                    f"per cent, such as {number * 100:g}",
                    refuse=heading.must or heading.vital,
                )
                return
            row.values[landing] = number * by
            return
    if units.names_bushel(unit) and units.factor(unit, table[heading.columns[0]].unit, 1.0):
        row.bushels[heading.columns[0]] = (number, unit)
        return
    reader.fault(
        row,
        column,
        "the unit does not fit",
        column.written,
        f"a unit such as {_suggested(heading)}",
        refuse=heading.must or heading.vital,
    )


def _suggested(heading: Heading) -> str:
    return " or ".join(dict.fromkeys(u for u in heading.written if u)) or "$/t or $/bu"


READ: dict[Reads, Callable[[_Reader, Row, Column, Cell], None]] = {
    Reads.TEXT: _text,
    Reads.FIELD: _field,
    Reads.CROP: _crop,
    Reads.SEASON: _season,
    Reads.DAY: _day,
    Reads.WORD: _word,
    Reads.YES: _yes,
    Reads.NUMBER: _number,
}
