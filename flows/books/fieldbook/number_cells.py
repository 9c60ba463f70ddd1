"""Cells that are numbers: decimal marks, units, and the column that a unit leads to."""

from __future__ import annotations

from functools import partial

from flows.books.fieldbook import units
from flows.books.fieldbook.columns import Column
from flows.books.fieldbook.files import Cell
from flows.books.fieldbook.reader import Reader, Row
from schemas.catalogue import TABLES
from schemas.fieldbook.parts import Heading


def number_cell(reader: Reader, row: Row, column: Column, cell: Cell) -> None:
    """Read a number with its unit, from the cell or from the heading."""
    fault = partial(reader.fault, row, column)
    unit = column.unit
    if isinstance(cell, str):
        taken = units.written(cell)
        if taken is None:
            fault("the cell is not a number", cell, "a number")
            return
        if taken.unit:
            unit = units.expression(taken.unit)
            if unit is None:
                fault("the unit is not known", cell, "a number, its unit in the heading")
                return
        number = units.value(taken.digits, reader.marks.get(column.place))
        if number is None:
            cause = "comma or point could be decimal or thousands"
            fault(cause, cell, "a number such as 1250 or 1.25")
            return
    elif isinstance(cell, float):
        number = cell
    else:
        fault("the cell is not a number", cell, column.heading.help)
        return
    _land(reader, row, column, number, unit or column.heading.unit or None)


def _land(reader: Reader, row: Row, column: Column, number: float, unit: str | None) -> None:
    """Put a number where its unit says, or leave it for the bushel weight or the unit column."""
    heading, fault = column.heading, partial(reader.fault, row, column)
    table = TABLES[reader.layout.sheet.table]
    if unit is None:
        if "unit" in row.headings or any(c.heading.name == "unit" for c in reader.layout.columns):
            row.bushels[heading.columns[0]] = (number, "")
            return
        row.rejected |= column.needed
        if column.place not in reader.unitless:
            reader.unitless.add(column.place)
            expected = f"the unit in the heading, such as {heading.name} ({_suggested(heading)})"
            reader.heading_fault(column, "the heading names no unit", expected)
        return
    currency = reader.known.currency
    if currency and (strange := units.currency_codes(column.written) - {currency.upper()}):
        fault("the money is not the farm's", ", ".join(strange), currency)
        return
    for landing in heading.columns:
        by = units.factor(unit, table[landing].unit)
        if by is not None:
            if table[landing].unit == "percent" and by == 1 and 0 < number < 1:
                expected = f"per cent, such as {number * 100:g}"
                fault("the per cent look like a fraction", number, expected)
            else:
                row.values[landing] = number * by
            return
    if units.names_bushel(unit) and units.factor(unit, table[heading.columns[0]].unit, 1.0):
        row.bushels[heading.columns[0]] = (number, unit)
        return
    fault("the unit does not fit", column.written, f"a unit such as {_suggested(heading)}")


def _suggested(heading: Heading) -> str:
    return " or ".join(dict.fromkeys(u for u in heading.written if u)) or "$/t or $/bu"
