"""Cells that are numbers: decimal marks, units, and the column that a unit leads to."""

from __future__ import annotations

from datetime import date

from flows.books.fieldbook import units
from flows.books.fieldbook.columns import Column
from flows.books.fieldbook.files import Cell, Unsaved
from flows.books.fieldbook.problem import Problem, shown
from flows.books.fieldbook.reader import Reader, Row
from schemas.catalogue import TABLES
from schemas.fieldbook.parts import Heading


def number_cell(reader: Reader, row: Row, column: Column, cell: Cell) -> None:
    """A number with its unit, from the cell or from the heading."""
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


def _land(reader: Reader, row: Row, column: Column, number: float, unit: str | None) -> None:
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
