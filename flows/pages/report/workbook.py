"""The evidence as a workbook (Office Open XML) for an adviser: a sheet a table, in the reader's units.

Each sheet has the meaning of its columns, their names with units, and the rows; the sheet ``columns``
lists all of them with the names that SQL has. Text that a spreadsheet would run as a formula gets
a ' before it, as in CSV.
"""

import io
from collections.abc import Iterator
from datetime import date
from typing import Any

import polars as pl

from flows.base.plain_text import plain
from flows.pages.published_tables import Tables
from flows.pages.reader_units import Show
from flows.store import answer
from schemas import generated
from schemas.catalogue import ROOMS, TABLES, of
from schemas.table import SUFFIX, Column, Kind, Table, Tier

# Tables by season or practice are evidence, but for those by day, week or point; and what explains them.
_OF = {"season", "practice", "fall"}
_FINE = ({"season", "day"}, {"week_starts"}, {"point"})
_BESIDE = (
    "field",
    "strip",
    "crop",
    "observation",
    "observation_pair",
    "penetrometer",
    "rain_month",
)
_INSTRUMENTS = ("station_spell", "probe_spell", "sensor")
_ROOMS = ("trial", "money", "roots", "soil", "weather", "farm")

_WIDTH, _WIDEST = 14, 40
_NOTE = (
    "The evidence of a strip trial as tables, in {units}. Each sheet has what its columns mean, their names "
    "with units, then the rows; the sheet 'columns' lists them with their names in the warehouse. An empty cell "
    "is not known. Tables without rows are left out."
)
_CAUTION = "Evidence from one farm, not advice."
_UNITS = {
    "metric": "metric units",
    "us": "US customary units",
    "canada": "bushels and acres, otherwise metric units",
}


def tables_of_evidence() -> list[Table]:
    """Return the tables that a workbook has, results before what was put in, room by room."""
    chosen = [table for table in of(Tier.DERIVED, Tier.SETUP) if _is_evidence(table)]
    return sorted(chosen, key=lambda t: (t.tier is Tier.SETUP, _ROOMS.index(ROOMS[t.name]), t.name))


def _is_evidence(table: Table) -> bool:
    if table.name in (*_BESIDE, *_INSTRUMENTS):
        return True
    key = set(table.key)
    return bool(key & _OF) and not any(fine <= key for fine in _FINE)


def workbook(tables: Tables, year: int | None, today: date) -> bytes:
    """Return the workbook; with ``year`` the rows by season are of that harvest alone."""
    from openpyxl import Workbook  # noqa: PLC0415 - only a workbook costs its import

    show = tables.show()
    frames = {}
    for table in tables_of_evidence():
        frame = tables(table.name)
        if year is not None and "season" in table.names:
            frame = frame.filter(pl.col("season") == year)
        if frame.height:
            frames[table.name] = frame
    book = Workbook(write_only=True)
    farm = answer.for_spreadsheets(pl.DataFrame({"farm": [show.part(tables.farm_name())]}))["farm"]
    about = [
        [str(farm[0])],
        [f"Made on {today.isoformat()}" + (f", harvest {year}" if year else "")],
        [_NOTE.format(units=_UNITS[show.system])],
        [_CAUTION],
        [],
        ["sheet", "one row is", "rows"],
        *([name, TABLES[name].row, frame.height] for name, frame in frames.items()),
    ]
    _sheet(book, "about", about, widths=[24, 100, 10], bold=6)
    headings = {name: _headings(TABLES[name], frame, show) for name, frame in frames.items()}
    _sheet(
        book,
        "columns",
        [
            ["sheet", "column", "name in the warehouse", "meaning"],
            *(
                [name, heading, column.name, _meaning(column)]
                for name, found in headings.items()
                for column, heading in zip(TABLES[name].columns, found, strict=True)
            ),
        ],
        widths=[24, 40, 32, 100],
        bold=1,
    )
    for name, frame in frames.items():
        _table(book, TABLES[name], frame, headings[name], show)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _meaning(column: Column) -> str:
    """Return what a column means and which words it may hold; limits are in SI and left out."""
    words = f" (one of: {', '.join(column.one_of)})" if column.one_of else ""
    return column.meaning + words


def _unit(column: Column, frame: pl.DataFrame, show: Show) -> tuple[str | None, str, int]:
    """Return the crop that a unit is of (None: by mass), its label and decimals, as the reader sees it.

    The bushels of several crops share a label; if a crop of the frame has none, all are by mass.
    """
    crops = frame["crop"].unique().to_list() if "crop" in frame.columns else [None]
    labels = {show.unit_of(column.unit, crop)[2:] for crop in crops}
    crop = crops[0] if len(labels) == 1 else None
    _, _, label, decimals = show.unit_of(column.unit, crop)
    if not label and column.unit not in {"", "1"}:
        label = column.unit.replace("currency", show.currency)
    return crop, label, decimals


def _headings(table: Table, frame: pl.DataFrame, show: Show) -> list[str]:
    """Return the columns' names in plain words, each with its unit in brackets."""
    out = []
    for column in table.columns:
        suffix = SUFFIX.get(column.unit, "")
        name = column.name.removesuffix(suffix) if suffix else column.name
        label = "%" if column.share else _unit(column, frame, show)[1]
        out.append(name.replace("_", " ") + (f" ({label})" if label else ""))
    return out


def _in_units(table: Table, frame: pl.DataFrame, show: Show) -> pl.DataFrame:
    """Return the frame with its numbers in the reader's units; shares stay shares of one."""
    return frame.with_columns(
        _converted(column, frame, show)
        for column in table.columns
        if column.kind is Kind.NUMBER and column.unit not in {"", "1"}
    )


def _converted(column: Column, frame: pl.DataFrame, show: Show) -> pl.Expr:
    """Return a column's numbers in the reader's unit, each by its row's crop if bushels are by crop."""
    crop, *_ = _unit(column, frame, show)
    value = pl.col(column.name)
    slope, offset, *_ = show.unit_of(column.unit, crop)
    if crop is None:
        return value * slope + offset
    slopes = {one: show.unit_of(column.unit, one)[0] for one in frame["crop"].unique()}
    return value * pl.col("crop").replace_strict(slopes, return_dtype=pl.Float64) + offset


def _table(book: Any, table: Table, frame: pl.DataFrame, headings: list[str], show: Show) -> None:
    """Write a table's sheet: meanings, headings, rows."""
    forms = [_form(column, _unit(column, frame, show)[2]) for column in table.columns]
    shown = answer.for_spreadsheets(generated.conform(_in_units(table, frame, show), table))
    rows = [[_meaning(column) for column in table.columns], headings, *shown.rows()]
    widths = [min(_WIDEST, max(_WIDTH, len(heading) + 2)) for heading in headings]
    _sheet(book, table.name, rows, widths=widths, bold=2, forms=forms)


def _form(column: Column, decimals: int) -> str:
    """Return the number format of a column's cells."""
    if column.share:
        return "0%"
    if column.kind is Kind.DAY:
        return "yyyy-mm-dd"
    if column.kind is not Kind.NUMBER:
        return "General"
    known = column.unit not in {"", "1"}
    return f"0.{'0' * decimals}" if known and decimals else "0" if known else "0.000"


def _sheet(
    book: Any,
    name: str,
    rows: list[Any],
    *,
    widths: list[int],
    bold: int,
    forms: list[str] | None = None,
) -> None:
    """Write a sheet; ``bold``: the row of its headings, above which rows are wrapped, from 1."""
    from openpyxl.styles import Alignment, Font  # noqa: PLC0415 - as above
    from openpyxl.utils import get_column_letter  # noqa: PLC0415

    page = book.create_sheet(name)
    for place, width in enumerate(widths, start=1):
        page.column_dimensions[get_column_letter(place)].width = width
    if forms is not None:
        page.freeze_panes = f"A{bold + 1}"
        page.auto_filter.ref = f"A{bold}:{get_column_letter(len(widths))}{len(rows)}"
    small, strong = Font(size=9, color="444444"), Font(bold=True)
    wrapped = Alignment(wrap_text=True, vertical="top")
    for number, row in enumerate(rows, start=1):
        cells = list(_cells(page, row, forms if number > bold else None))
        for one in cells:
            if number < bold and forms is not None:
                one.font, one.alignment = small, wrapped
            elif number == bold:
                one.font = strong
        page.append(cells)


def _cells(page: Any, row: Any, forms: list[str] | None) -> Iterator[Any]:
    from openpyxl.cell import WriteOnlyCell  # noqa: PLC0415 - as above

    for place, value in enumerate(row):
        cell = WriteOnlyCell(page, plain(value) if isinstance(value, str) else value)
        if forms is not None and value is not None and forms[place] != "General":
            cell.number_format = forms[place]
        yield cell
