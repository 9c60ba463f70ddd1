"""The cells of a sheet as typed rows, each fault named."""

from __future__ import annotations

from collections.abc import Callable

from flows.books.fieldbook.cells import (
    crop_cell,
    day_cell,
    field_cell,
    season_cell,
    text_cell,
    word_cell,
    yes_cell,
)
from flows.books.fieldbook.columns import Column, Layout
from flows.books.fieldbook.files import Cell, Grid, UnstoredFormula
from flows.books.fieldbook.number_cells import number_cell
from flows.books.fieldbook.problem import Problem
from flows.books.fieldbook.reader import Known, Reader, Row
from schemas.fieldbook.parts import Reads
from schemas.fieldbook.words import EXAMPLE


def rows_of(grid: Grid, layout: Layout, known: Known) -> tuple[list[Row], list[Problem]]:
    """Return the rows of a grid, examples passed over; rejected ones are among them, marked."""
    reader = Reader(grid, layout, known, [])
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


def _read(reader: Reader, row: Row, column: Column, cell: Cell) -> None:
    heading = column.heading
    for landing in heading.columns:
        row.headings.setdefault(landing, column.written)
    if cell is None:
        if heading.must:
            reader.fault(row, column, "the cell is empty", "", heading.help)
    elif isinstance(cell, UnstoredFormula):
        expected = "a value; open the workbook and save it in a spreadsheet program"
        reader.fault(row, column, "a formula has no stored value", cell.formula, expected)
    elif isinstance(cell, str) and cell.startswith("#") and cell.rstrip("!?").isupper():
        reader.fault(row, column, "the cell holds an error", cell, heading.help)
    else:
        READ[heading.reads](reader, row, column, cell)


READ: dict[Reads, Callable[[Reader, Row, Column, Cell], None]] = {
    Reads.TEXT: text_cell,
    Reads.FIELD: field_cell,
    Reads.CROP: crop_cell,
    Reads.SEASON: season_cell,
    Reads.DAY: day_cell,
    Reads.WORD: word_cell,
    Reads.YES: yes_cell,
    Reads.NUMBER: number_cell,
}
