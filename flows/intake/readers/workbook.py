"""Workbooks (Office Open XML, ``.xlsx``): the rows of one sheet, dates and numbers as they are stored.

A cell that is a date is written by the layout's own time format, so that a sheet with true dates
and one with dates as text read alike.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from itertools import chain, islice
from tempfile import SpooledTemporaryFile
from typing import Any

from flows.base.plain_text import counted
from flows.intake.readers import preamble, stated_units
from flows.intake.readers.chunk import Chunk, Content, Unreadable, records
from flows.intake.readers.headings import HEAD_LINES, find_columns, heading_at, joined_headings
from flows.intake.readers.packed import IN_MEMORY, whole
from schemas.farm.layout import Layout

ROWS = 20_000
BLANK_ROWS = 1_000  # a sheet may claim a million empty rows; after so many in a row it ends
Row = tuple[Any, ...]


def read(content: Content, layout: Layout) -> Iterator[Chunk]:
    """Yield the rows of the sheet; raises Unreadable where it is not a workbook or lacks the columns."""
    from openpyxl import load_workbook  # noqa: PLC0415 - only workbooks need it

    with SpooledTemporaryFile(max_size=IN_MEMORY) as held:
        for block in whole(content).own():
            held.write(block)
        held.seek(0)
        try:
            book = load_workbook(held, read_only=True, data_only=True)
        except MemoryError:
            raise
        except Exception as error:  # openpyxl raises whatever damaged parts lead to
            raise Unreadable("not a workbook", _error_text(error), "an .xlsx file") from error
        try:
            yield from _sheet(_chosen(book, layout), layout)
        finally:
            book.close()


def _chosen(book: Any, layout: Layout) -> Any:
    names = list(book.sheetnames)
    if not names:
        raise Unreadable("not a workbook", "no sheet", "an .xlsx file with a sheet")
    if layout.sheet is None:
        return book[names[0]]
    for name in names:
        if name.strip().casefold() == layout.sheet.strip().casefold():
            return book[name]
    raise Unreadable("no such sheet", ", ".join(names), f"a sheet '{layout.sheet}'")


def _sheet(sheet: Any, layout: Layout) -> Iterator[Chunk]:
    sheet.reset_dimensions()  # what it claims of its size may be wrong
    rows = _whole_rows(sheet)
    head = list(islice(rows, HEAD_LINES))
    at = _heading_at(head, layout)
    names = _names(head[at : at + layout.header], layout, head)
    places = find_columns(names, layout, lambda ours, theirs: _plain(ours) == _plain(theirs))
    first = at + layout.header + layout.after_header
    known = preamble.facts([_line(row) for row in head[:at]], layout)
    for row in head[at + layout.header : first]:
        stated_units.check_row(["" if c is None else str(c) for c in row], places, layout)
    numbered = enumerate(chain(head[first:], rows), first + 1)
    batch: list[tuple[int, Row]] = []
    blank = 0
    for number, row in numbered:
        if all(cell is None or cell == "" for cell in row):
            blank += 1
            if blank > BLANK_ROWS:
                break
            continue
        blank = 0
        batch.append((number, row))
        if len(batch) >= ROWS:
            yield _chunk(batch, places, layout, known, names)
            batch = []
    if batch:
        yield _chunk(batch, places, layout, known, names)


def _line(row: Row) -> str:
    return "\t".join("" if cell is None else str(cell) for cell in row)


def _whole_rows(sheet: Any) -> Iterator[Row]:
    """Yield the sheet's rows; raises Unreadable where its parts are damaged."""
    try:
        for cells in sheet.iter_rows():
            # if a piece is missing inside, cells of a later row stand in an earlier one
            numbers = {cell.row for cell in cells if hasattr(cell, "row")}
            if len(numbers) > 1:
                found = f"cells of the rows {min(numbers)} and {max(numbers)} in one row"
                raise Unreadable("damaged workbook", found, "a whole .xlsx file")
            yield tuple(cell.value for cell in cells)
    except (MemoryError, Unreadable):
        raise
    except Exception as error:  # as above: the rows are parsed as they are asked for
        raise Unreadable("damaged workbook", _error_text(error), "a whole .xlsx file") from error


def _error_text(error: Exception) -> str:
    return f"{type(error).__name__}: {error}"[:200]


def _heading_at(head: list[Row], layout: Layout) -> int:
    if layout.header_starts is None:
        if layout.skip >= len(head):
            raise Unreadable(
                "nothing in it", counted(len(head), "row"), f"rows after row {layout.skip}"
            )
        return layout.skip
    first_cells = (next((str(c) for c in row if c is not None), "").strip() for row in head)
    return heading_at(first_cells, layout.header_starts, of="row")


def _names(rows: list[Row], layout: Layout, head: list[Row]) -> list[str]:
    width = max((len(row) for row in head), default=0)
    if not layout.header:
        return [str(i + 1) for i in range(width)]
    texts = [["" if cell is None else str(cell) for cell in row] for row in rows]
    return joined_headings(texts, width)


def _plain(heading: str) -> str:
    """Return a heading without what people write this way or that: case and blanks around it."""
    return heading.strip().casefold()


def _chunk(
    batch: list[tuple[int, Row]],
    places: dict[str, int],
    layout: Layout,
    known: dict[str, str],
    names: list[str],
) -> Chunk:
    parts = _formats(layout)
    found = []
    for _, row in batch:
        values: dict[str, str | None] = {}
        for role, place in places.items():
            cell = row[place] if place < len(row) else None
            form = parts[int(role[5:])] if role.startswith("time_") else None
            values[role] = cell_text(cell, form)
        found.append(values)
    numbers = [number for number, _ in batch]
    texts = dict(batch)

    def raw(line: int) -> str:
        return _line(texts.get(line, ()))

    chunk = records(found, numbers, layout, raw)
    return replace(
        chunk,
        frame=preamble.with_facts(chunk.frame, known),
        names=tuple(names),
        absent=(*chunk.absent, *layout.of_nobody(names)),
    )


def _formats(layout: Layout) -> list[str | None]:
    """Return how a date in each of the time columns is written, so that the door reads it again."""
    columns, form = layout.time.columns, layout.time.format
    if form == "iso" or form.startswith("epoch"):
        return [None] * len(columns)
    parts = form.split(" ")
    if len(columns) == 1:
        return [form]
    return list(parts) if len(parts) == len(columns) else [None] * len(columns)


def cell_text(cell: Any, form: str | None) -> str | None:
    """Return a cell as text; a date by ``form`` or in ISO 8601."""
    match cell:
        case None:
            return None
        case bool():
            return str(cell).lower()
        case datetime() | date() | time():
            return _stamp(cell, form)
        case float() if cell.is_integer() and abs(cell) < 1e15:
            return str(int(cell))
        case _:
            return str(cell)


def _stamp(cell: datetime | date | time, form: str | None) -> str:
    """Return a date cell as text; a sheet stores fractions of days, so its seconds are rounded."""
    if isinstance(cell, datetime) and cell.microsecond:
        cell = (cell + timedelta(microseconds=500_000)).replace(microsecond=0)
    if form is not None:
        return cell.strftime(form)
    return cell.isoformat(" ") if isinstance(cell, datetime) else cell.isoformat()
