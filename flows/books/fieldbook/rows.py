"""The cells of a sheet as typed rows, each fault named."""

from collections.abc import Callable
from datetime import date
from functools import partial

from flows.books.fieldbook import dates, units
from flows.books.fieldbook.columns import Column, Layout
from flows.books.fieldbook.files import Cell, Grid, UnstoredFormula
from flows.books.fieldbook.problem import Problem, nearest_or_all
from flows.books.fieldbook.reader import Known, Reader, Row, as_text
from flows.farm.renames import ALL
from schemas.catalogue import TABLES
from schemas.fieldbook.parts import Heading, Reads
from schemas.fieldbook.words import BOTH, CROP_WORDS, EXAMPLE, NO, WORDS, YES


def text_cell(_: Reader, row: Row, column: Column, cell: Cell) -> None:
    """Read any words."""
    row.values[column.heading.columns[0]] = as_text(cell)


def field_cell(reader: Reader, row: Row, column: Column, cell: Cell) -> None:
    """Read a name of the sheet fields, in upper or lower case."""
    known = reader.known
    written = _today(reader, row, "field", as_text(cell))
    name = written.lower()
    if reader.layout.sheet.name == "fields":
        row.values["field"] = written
    elif name in known.fields:
        row.values["field"] = known.fields[name]
    elif name in known.rejected_fields:
        row.rejected = True  # its fault is named on the sheet fields
    else:
        expected = nearest_or_all(name, list(known.fields.values()), "a field of the sheet fields")
        reader.fault(row, column, "the field is not known", written, expected, reject=True)


def _today(reader: Reader, row: Row, kind: str, written: str) -> str:
    """Return today's name of a field or strip, and note on its row that another one stands there."""
    of_field = row.values.get("field", ALL)
    today = reader.known.renames.today(kind, written, of_field)
    if today != written:
        row.former = row.former or written
    return today


def crop_cell(reader: Reader, row: Row, column: Column, cell: Cell) -> None:
    """Read a name of the crop list, or a usual word for one."""
    written = as_text(cell)
    word = " ".join(written.lower().replace("_", " ").replace("-", " ").split())
    crop = CROP_WORDS.get(word, word)
    if crop not in reader.known.crops:  # a crop of the farm file may be named in any way
        own = {" ".join(c.lower().split()): c for c in reader.known.crops}
        crop = own.get(" ".join(written.lower().split()), crop)
    if crop in reader.known.crops:
        row.values["crop"] = crop
        return
    names = sorted(reader.known.crops)
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


def hour_cell(reader: Reader, row: Row, column: Column, cell: Cell) -> None:
    """Read an hour of the day: 7, 7.5, 7:30 or 7 pm."""
    hour = cell if isinstance(cell, float) else dates.hour(as_text(cell))
    if hour is not None and 0 <= hour <= 24:
        row.values[column.heading.columns[0]] = hour
        return
    cause = "the hour cannot be read"
    reader.fault(row, column, cause, as_text(cell), "an hour from 0 to 24, such as 7 or 7:30")


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


def strip_cell(reader: Reader, row: Row, column: Column, cell: Cell) -> None:
    """Read treated or check or a usual word for it, or a name of the sheet strips, in any case."""
    written = " ".join(_today(reader, row, "strip", as_text(cell)).split())
    word = WORDS["strip"].get(written.lower(), written)
    names = [*reader.known.strips_of(row.values.get("field")), *([BOTH] * column.heading.both)]
    known = {name.lower(): name for name in names}
    if word.lower() in known:
        row.values["strip"] = known[word.lower()]
    elif reader.layout.sheet.name == "strips" and word != BOTH and not set(word) & set(";,"):
        row.values["strip"] = word
    else:
        expected = nearest_or_all(word, names, "one of")
        if reader.layout.sheet.name != "strips":
            expected += ", or a strip of this field on the sheet strips"
        reader.fault(row, column, "the strip is not known", written, expected, reject=True)


def yes_cell(_: Reader, row: Row, column: Column, cell: Cell) -> None:
    """Read yes or no; any other word says yes and why."""
    written = as_text(cell).lower()
    row.values[column.heading.columns[0]] = written not in NO
    if written not in NO | YES:
        row.values.setdefault("why_left_out", as_text(cell))


def number_cell(reader: Reader, row: Row, column: Column, cell: Cell) -> None:
    """Read a number with its unit, from the cell or from the heading."""
    fault = partial(reader.fault, row, column)
    unit = column.unit
    if isinstance(cell, str) and cell.lower() in column.heading.zero:
        row.values[column.heading.columns[0]] = 0.0
        return
    if isinstance(cell, str):
        taken = units.written(cell)
        if taken is None:
            fault("the cell is not a number", cell, "a number")
            return
        if taken.unit:
            unit = units.expression(taken.unit)
            if unit is None:
                fault("the unit is not known", cell, _unit_in_heading(column))
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
    _land(reader, row, column, number, unit or column.heading.unit or None, cell)


def _land(  # noqa: PLR0917
    reader: Reader, row: Row, column: Column, number: float, unit: str | None, cell: Cell
) -> None:
    """Put a number where its unit says, or leave it for the bushel weight or the unit column."""
    heading, fault = column.heading, partial(reader.fault, row, column)
    table = TABLES[reader.layout.sheet.table]
    if unit is None:
        if "unit" in row.headings or any(c.heading.name == "unit" for c in reader.layout.columns):
            row.bushels[heading.columns[0]] = (number, "")
            return
        row.rejected |= column.needed
        reader.unitless[column.place] = reader.unitless.get(column.place, 0) + 1
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
    if isinstance(cell, str) and unit != column.unit:  # written beside the number
        fault("the unit does not fit", cell, _unit_in_heading(column))
        return
    fault("the unit does not fit", column.written, f"a unit such as {_suggested(heading)}")


def _unit_in_heading(column: Column) -> str:
    """Return what to write if the unit is in a cell."""
    if column.unit:
        return f"the number alone: its unit is in the heading, {column.written}"
    name = column.heading.name
    return f"the number alone, and the unit in the heading: {name} ({_suggested(column.heading)})"


def _suggested(heading: Heading) -> str:
    return " or ".join(dict.fromkeys(u for u in heading.written if u)) or "$/t or $/bu"


def rows_of(grid: Grid, layout: Layout, known: Known) -> tuple[list[Row], list[Problem]]:
    """Return the rows of a grid, examples skipped; rejected ones are among them, marked."""
    reader = Reader(grid, layout, known, [])
    reader.look_ahead()
    rows = []
    for number, cells in reader.body():
        first = next((c for c in cells if c is not None), None)
        if isinstance(first, str) and first.lower().startswith(EXAMPLE):
            continue
        row = Row(grid.name, number)
        # the field first: it tells which strip a name means
        for column in sorted(layout.columns, key=lambda c: c.heading.reads is not Reads.FIELD):
            cell = cells[column.place] if column.place < len(cells) else None
            _read(reader, row, column, cell)
        rows.append(row)
    for column in layout.columns:
        if number_of_rows := reader.unitless.get(column.place):
            name = column.heading.name
            expected = f"the unit in the heading, such as {name} ({_suggested(column.heading)})"
            reader.heading_fault(column, "the heading names no unit", expected, number_of_rows)
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
    Reads.HOUR: hour_cell,
    Reads.WORD: word_cell,
    Reads.STRIP: strip_cell,
    Reads.YES: yes_cell,
    Reads.NUMBER: number_cell,
}
