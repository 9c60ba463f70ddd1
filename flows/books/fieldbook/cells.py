"""Cells that are names, days and words."""

from __future__ import annotations

from datetime import date

from flows.books.fieldbook import dates
from flows.books.fieldbook.columns import Column
from flows.books.fieldbook.files import Cell
from flows.books.fieldbook.problem import nearest
from flows.books.fieldbook.reader import Reader, Row, as_text
from schemas.catalogue import TABLES
from schemas.fieldbook.words import CROP_WORDS, NO, WORDS, YES


def text_cell(_: Reader, row: Row, column: Column, cell: Cell) -> None:
    """Any words."""
    row.values[column.heading.columns[0]] = as_text(cell)


def field_cell(reader: Reader, row: Row, column: Column, cell: Cell) -> None:
    """A name of the sheet fields, case aside."""
    said = as_text(cell)
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


def crop_cell(reader: Reader, row: Row, column: Column, cell: Cell) -> None:
    """A name of the crop list, or a usual word for one."""
    said = as_text(cell).lower().replace("_", " ").replace("-", " ")
    said = " ".join(said.split())
    crop = CROP_WORDS.get(said, said).replace(" ", "_")
    if crop not in reader.known.crops:  # a crop of the farm file may be named in any way
        own = {" ".join(c.lower().split()): c for c in reader.known.crops}
        crop = own.get(" ".join(as_text(cell).lower().split()), crop)
    if crop in reader.known.crops:
        row.values["crop"] = crop
        return
    names = [c.replace("_", " ") for c in sorted(reader.known.crops)]
    inside = [n for n in names if said in n.split()]
    expected = " or ".join(inside) if inside else nearest(said, names, "a crop of the crop list")
    reader.fault(row, column, "the crop is not known", as_text(cell), expected, refuse=True)


def season_cell(reader: Reader, row: Row, column: Column, cell: Cell) -> None:
    """A year; of 2020/21 the second."""
    said = as_text(cell)
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


def day_cell(reader: Reader, row: Row, column: Column, cell: Cell) -> None:
    """A date in any usual form."""
    heading = column.heading
    refuse = heading.must or heading.vital
    day = cell if isinstance(cell, date) else None
    if day is None and isinstance(cell, str | float):
        found = dates.parse(as_text(cell), reader.orders.get(column.place))
        if found == "ambiguous":
            reader.fault(
                row,
                column,
                "day and month of the date could be exchanged",
                as_text(cell),
                "a date such as 2021-05-08 or 8 May 2021",
                refuse=refuse,
            )
            return
        day = found if isinstance(found, date) else None
    if day is None:
        reader.fault(
            row,
            column,
            "the date cannot be read",
            as_text(cell),
            "a date such as 2021-05-08 or 8 May 2021",
            refuse=refuse,
        )
    else:
        row.values[heading.columns[0]] = day


def word_cell(reader: Reader, row: Row, column: Column, cell: Cell) -> None:
    """One of the words that the table allows, or a usual word for one."""
    name = column.heading.columns[0]
    words = TABLES[reader.layout.sheet.table][name].one_of
    said = as_text(cell).lower()
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


def yes_cell(_: Reader, row: Row, column: Column, cell: Cell) -> None:
    """Yes or no; any other word says yes and why."""
    said = as_text(cell).lower()
    name = column.heading.columns[0]
    row.values[name] = said not in NO
    if said not in NO | YES:  # any other word says yes and why
        row.values.setdefault("why_left_out", as_text(cell))
