"""Reads a field book: one workbook, or a folder of CSV files, one sheet a record type.

Nothing here knows the clock or writes anything: the same bytes give the same tables.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from flows.base.errors import UserError
from flows.base.files import readable
from flows.books.fieldbook import book_checks, columns, rename_sheet, same_rows, sheet_checks
from flows.books.fieldbook.files import Grid, grids
from flows.books.fieldbook.problem import Problem, nearest_or_all, shown
from flows.books.fieldbook.reader import Known, Row
from flows.books.fieldbook.rows import rows_of
from flows.farm.farm_tables import crop_list
from schemas import generated
from schemas.catalogue import TABLES
from schemas.farm.farm import Farm
from schemas.fieldbook.parts import Sheet
from schemas.fieldbook.sheets import SHEETS
from schemas.fieldbook.words import MAX_FILE_BYTES

READ_ENDINGS = (".xlsx", ".xlsm", ".csv", ".tsv", ".txt")


@dataclass(frozen=True, slots=True)
class FieldBook:
    """The tables that a field book gives, by name, and everything that was wrong in it."""

    frames: dict[str, pl.DataFrame]
    problems: list[Problem]


def read(
    path: Path,
    *,
    bushel_kg: Mapping[str, float | None] | None = None,
    currency: str | None = None,
    day_first: bool | None = None,
) -> FieldBook:
    """Return the field book at ``path``, a workbook or a folder of CSV files; see tables_of.

    Raises UserError where there is nothing at ``path``.
    """
    return tables_of(contents(path), bushel_kg=bushel_kg, currency=currency, day_first=day_first)


def contents(path: Path) -> dict[str, bytes]:
    """Return the files of a field book by name: what is archived and what ``tables_of`` takes.

    A file above the limit is cut one byte behind it, so that it is rejected without being held.
    Raises UserError where there is nothing at ``path``.
    """
    if path.is_dir():
        files = sorted(p for p in path.iterdir() if p.suffix.lower() in READ_ENDINGS)
    elif path.is_file():
        files = [path]
    else:
        raise UserError(f"There is no field book at {path}. 'checkstrip new' makes a blank one.")
    # '~$' is how office programs name the lock beside an open workbook
    chosen = [p for p in files if not p.name.startswith(("~$", ".~", "."))]
    content = {}
    for file in chosen:
        with file.open("rb") as stream:
            content[readable(file.name)] = stream.read(MAX_FILE_BYTES + 1)
    return content


def tables_of(
    files: Mapping[str, bytes],
    *,
    bushel_kg: Mapping[str, float | None] | None = None,
    currency: str | None = None,
    day_first: bool | None = None,
    farm: Farm | None = None,
) -> FieldBook:
    """Return the tables of a field book given by its files' names and bytes.

    ``bushel_kg``: mass of a bushel by crop, and by its keys the crops that there are (the farm's
    crop table; without it the crop list that ships with the program). ``currency``: ISO 4217 code
    of the farm's money; other codes in a heading are faults. ``day_first``: how to read a date
    such as 5/6/2021 where nothing else in its column tells; without it such a date is a fault. ``farm``: the farm file,
    whose instruments the book names; without it their names are taken as written.

    Every fault is in ``problems``; rows without one are in the frames, each as its table declares
    it and sorted by its key. Raises nothing on any content.
    """
    crops = bushel_kg or {name: crop.get("bushel_kg") for name, crop in crop_list().items()}
    known = Known(crops, currency, day_first, farm)
    found, problems = grids(files, columns.count_headings)
    done: sheet_checks.Rows = {sheet.name: [] for sheet in SHEETS}
    by_sheet, unknown = _by_sheet(found)
    problems += unknown
    seasons: sheet_checks.Seasons = {}
    for sheet in SHEETS:
        rows, faults = _rows(sheet, by_sheet.get(sheet.name, []), known)
        problems += faults
        rows.sort(key=lambda row: bool(row.former))  # what is under today's name goes first
        if sheet.name == "passes":
            sheet_checks.give_crop(rows, seasons)
        problems += sheet_checks.complete(sheet, rows, known, done)
        problems += _within_limits(sheet, rows)
        problems += same_rows.reject_repeats(sheet.table, rows)
        if sheet.name == rename_sheet.SHEET:
            problems += rename_sheet.amend(rows, known)
        done[sheet.name] = rows
        if sheet.name == "seasons":
            seasons = sheet_checks.crops_by_season(rows)
    problems += rename_sheet.without_field(done[rename_sheet.SHEET], known)
    problems += book_checks.check_across(done, seasons)
    frames = {
        sheet.table: _frame(sheet, (r for r in done[sheet.name] if not r.rejected))
        for sheet in SHEETS
    }
    return FieldBook(frames, sorted(set(problems)))


def _by_sheet(found: list[Grid]) -> tuple[dict[str, list[Grid]], list[Problem]]:
    by_sheet: dict[str, list[Grid]] = {}
    problems = []
    for grid in found:
        sheet = columns.sheet_of(grid.name)
        if sheet:
            by_sheet.setdefault(sheet.name, []).append(grid)
        elif grid.rows:
            expected = nearest_or_all(grid.name, [s.name for s in SHEETS], "one of")
            cause = "the sheet is not known"
            problems.append(Problem(grid.name, 0, "", cause, shown(grid.name), expected, "sheet"))
    return by_sheet, problems


def _rows(sheet: Sheet, found: list[Grid], known: Known) -> tuple[list[Row], list[Problem]]:
    rows: list[Row] = []
    problems: list[Problem] = []
    for grid in found:
        layout, faults = columns.layout(grid, sheet)
        problems += faults
        if layout:
            more, faults = rows_of(grid, layout, known)
            rows += more
            problems += faults
    if sheet.name == "fields":
        for row in rows:
            if row.rejected and "field" in row.values:
                known.rejected_fields.add(str(row.values["field"]).lower())
    return rows, problems


def _frame(sheet: Sheet, rows: Iterable[Row]) -> pl.DataFrame:
    table = TABLES[sheet.table]
    schema = generated.polars_schema(table)
    data = [{name: row.values.get(name) for name in table.names} for row in rows]
    return pl.DataFrame(data, schema=schema, orient="row").sort(table.key)


def _within_limits(sheet: Sheet, rows: list[Row]) -> list[Problem]:
    """Compare the rows with the table's declared limits and name what is beyond them (by pandera).

    Repeated rows are named with the row that they repeat, not here.
    """
    table = TABLES[sheet.table]
    good = [row for row in rows if not row.rejected]
    if not good:
        return []
    frame = pl.DataFrame(
        [{n: r.values.get(n) for n in table.names} for r in good],
        schema=generated.polars_schema(table),
        orient="row",
    )
    if generated.fits(table, frame, whole=False):
        return []
    from pandera.errors import SchemaErrors  # noqa: PLC0415 - loading it takes most of a second

    try:
        generated.door(table, table.names).validate(frame, lazy=True)
    except SchemaErrors as errors:
        cases = errors.failure_cases
    else:
        return []
    vital = {c for h in sheet.headings if h.must or h.vital for c in h.columns}
    problems = []
    for name, number in cases.select("column", "index").unique(maintain_order=True).iter_rows():
        column, row = table[name], good[number]
        value = row.values.pop(name, None)
        reject = name in vital or column.required
        row.rejected |= reject
        problems.append(
            Problem(
                row.sheet,
                row.number,
                row.headings.get(name, name),
                "the value is beyond what can be" if value is not None else "the value is missing",
                "" if value is None else f"{shown(value)} {column.unit}".strip(),
                generated.describe(column),
                "row" if reject else "value",
            )
        )
    return problems
