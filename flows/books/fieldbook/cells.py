"""Cells that are names, days and words."""

from __future__ import annotations

from datetime import date

from flows.books.fieldbook import dates
from flows.books.fieldbook.columns import Column
from flows.books.fieldbook.files import Cell
from flows.books.fieldbook.problem import nearest_or_all
from flows.books.fieldbook.reader import Reader, Row, as_text
from schemas.catalogue import TABLES
from schemas.fieldbook.words import CROP_WORDS, NO, WORDS, YES


def text_cell(_: Reader, row: Row, column: Column, cell: Cell) -> None:
    """Read any words."""
    row.values[column.heading.columns[0]] = as_text(cell)


def field_cell(reader: Reader, row: Row, column: Column, cell: Cell) -> None:
    """Read a name of the sheet fields, in upper or lower case."""
    written = as_text(cell)
    name = written.lower()
    known = reader.known
    if reader.layout.sheet.name == "fields":
        row.values["field"] = written
    elif name in known.fields:
        row.values["field"] = known.fields[name]
    elif name in known.rejected_fields:
        row.rejected = True  # its fault is named on the sheet fields
    else:
        names = list(known.fields.values())
        expected = nearest_or_all(name, names, "a field of the sheet fields")
        reader.fault(row, column, "the field is not known", written, expected, reject=True)


def crop_cell(reader: Reader, row: Row, column: Column, cell: Cell) -> None:
    """Read a name of the crop list, or a usual word for one."""
    written = as_text(cell)
    word = " ".join(written.lower().replace("_", " ").replace("-", " ").split())
    crop = CROP_WORDS.get(word, word).replace(" ", "_")
    if crop not in reader.known.crops:  # a crop of the farm file may be named in any way
        own = {" ".join(c.lower().split()): c for c in reader.known.crops}
        crop = own.get(" ".join(written.lower().split()), crop)
    if crop in reader.known.crops:
        row.values["crop"] = crop
        return
    names = [c.replace("_", " ") for c in sorted(reader.known.crops)]
    inside = " or ".join(n for n in names if word in n.split())
    expected = inside or nearest_or_all(word, names, "a crop of the crop list")
    reader.fault(row, column, "the crop is not known", written, expected, reject=True)


def season_cell(reader: Reader, row: Row, column: Column, cell: Cell) -> None:
    """Read a year; of 2020/21 the second."""
    written = as_text(cell)
    first, _, second = written.replace("-", "/").partition("/")
    year = first.strip() if not second else second.strip()
    if second and len(year) == 2:
        year = first.strip()[:2] + year
    if isinstance(cell, date):
        year = str(cell.year)
    if year.isdigit() and 1900 <= int(year) <= 2200:
        row.values["season"] = int(year)
    else:
        cause = "the season is not a year"
        reader.fault(row, column, cause, written, "the year of the harvest", reject=True)


def day_cell(reader: Reader, row: Row, column: Column, cell: Cell) -> None:
    """Read a date in any usual form."""
    day: date | str | None = cell if isinstance(cell, date) else None
    if isinstance(cell, str | float):
        day = dates.parse(as_text(cell), reader.orders.get(column.place))
    if isinstance(day, date):
        row.values[column.heading.columns[0]] = day
        return
    cause = "the date cannot be read"
    if day == "ambiguous":
        cause = "day and month of the date could be exchanged"
    reader.fault(row, column, cause, as_text(cell), "a date such as 2021-05-08 or 8 May 2021")


def word_cell(reader: Reader, row: Row, column: Column, cell: Cell) -> None:
    """Read one of the words that the table allows, or a usual word for one."""
    name = column.heading.columns[0]
    allowed = TABLES[reader.layout.sheet.table][name].one_of
    written = as_text(cell).lower()
    word = WORDS.get(name, {}).get(written, written)
    if word in allowed:
        row.values[name] = word
    else:
        expected = nearest_or_all(written, list(allowed), "one of")
        reader.fault(row, column, "the word is not known", written, expected, reject=True)


def yes_cell(_: Reader, row: Row, column: Column, cell: Cell) -> None:
    """Read yes or no; any other word says yes and why."""
    written = as_text(cell).lower()
    row.values[column.heading.columns[0]] = written not in NO
    if written not in NO | YES:
        row.values.setdefault("why_left_out", as_text(cell))
