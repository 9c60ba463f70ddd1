"""A workbook or CSV files as grids of cells, bounded and without running anything in them."""

import csv
import io
import re
import zipfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from itertools import islice
from pathlib import PurePath
from typing import Any

from flows.base.plain_text import counted
from flows.books.fieldbook.problem import Problem, Rejected
from schemas.fieldbook.words import (
    BLANK,
    MAX_CELL_CHARACTERS,
    MAX_COLUMNS,
    MAX_FILE_BYTES,
    MAX_ROWS,
    MAX_UNPACKED_BYTES,
)


@dataclass(frozen=True, slots=True)
class UnstoredFormula:
    """A formula whose value was never stored in the file."""

    formula: str

    def __str__(self) -> str:
        return f"the formula {self.formula} without a stored value"


_FORMULA = re.compile(rb"<(\w+:)?f[ />]")

Cell = str | float | bool | date | UnstoredFormula | None


@dataclass(slots=True)
class Grid:
    """The cells of one sheet or CSV file; ``rows`` are (row number from 1, cells), blank ones left out.

    ``mark`` is the decimal mark that the file's delimiter suggests, if it does.
    """

    name: str
    rows: list[tuple[int, list[Cell]]] = field(default_factory=list)
    mark: str | None = None


def grids(
    files: Mapping[str, bytes], count_headings: Callable[[str, list[Cell]], int]
) -> tuple[list[Grid], list[Problem]]:
    """Return the sheets of the files given by name and content, and what could not be read.

    ``count_headings(sheet, cells)`` says how many cells of a row are headings: by it the delimiter of
    a CSV file is known.
    """
    found: list[Grid] = []
    problems: list[Problem] = []
    for name in sorted(files):
        content, ending = files[name], PurePath(name).suffix.lower()
        try:
            if len(content) > MAX_FILE_BYTES:
                found_bytes, most = (
                    counted(len(content), "byte"),
                    f"at most {MAX_FILE_BYTES:,} bytes",
                )
                raise Rejected("the file is too large", found_bytes, most)
            if ending in (".xlsx", ".xlsm"):
                found += _workbook(content, problems)
            elif ending in (".csv", ".tsv", ".txt"):
                found.append(_delimited(PurePath(name).stem, content, count_headings, problems))
            else:
                raise Rejected("the file is of a kind that is not read", name, ".xlsx or .csv")
        except Rejected as rejected:
            problems.append(rejected.of(name))
    return found, problems


def _workbook(content: bytes, problems: list[Problem]) -> list[Grid]:
    """Return all sheets of a workbook: stored values only; formulas are never run.

    The parts are measured before they are unpacked, rows and columns are counted while they are
    read, and openpyxl parses with defusedxml, which rejects entities.
    """
    from openpyxl import load_workbook  # noqa: PLC0415 - only a book costs its import

    expected = "a workbook as spreadsheet programs save it (.xlsx), without a password"
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            unpacked = sum(part.file_size for part in archive.infolist())
            if unpacked > MAX_UNPACKED_BYTES:
                most = f"at most {MAX_UNPACKED_BYTES:,} bytes"
                raise Rejected("the workbook unpacks to too much", counted(unpacked, "byte"), most)
            has_formulas = any(
                _FORMULA.search(archive.read(part))
                for part in archive.namelist()
                if part.startswith("xl/worksheets/")
            )
        values = load_workbook(io.BytesIO(content), read_only=True, data_only=True)
        # a second look, at the formulas, finds those whose value was never stored
        formulas = (
            load_workbook(io.BytesIO(content), read_only=True, data_only=False)
            if has_formulas
            else None
        )
        return [
            _sheet(sheet, formulas[sheet.title] if formulas else None, problems)
            for sheet in values.worksheets
        ]
    except Rejected:
        raise
    except Exception as error:
        # openpyxl raises nearly anything on a damaged or hostile file; whatever it is, the book
        # is rejected and the night goes on
        found = f"{type(error).__name__}: {error}"
        raise Rejected("the workbook cannot be read", found, expected) from error


def _sheet(values: Any, formulas: Any, problems: list[Problem]) -> Grid:
    name = values.title
    grid = Grid(name)
    rows = _cells(values)
    pairs = zip(rows, _cells(formulas), strict=False) if formulas else ((r, r) for r in rows)
    for number, (row, under) in enumerate(islice(pairs, MAX_ROWS + 1), start=1):
        if number > MAX_ROWS:
            problems.append(_too_long(name))
            break
        cells = [_cell(cell, below) for cell, below in zip(row, under, strict=False)]
        if len(cells) > MAX_COLUMNS and any(c is not None for c in cells[MAX_COLUMNS:]):
            problems.append(_too_wide(name, number))
        _keep(grid, number, cells)
    return grid


def _cells(sheet: Any) -> Iterator[tuple[Any, ...]]:
    sheet.reset_dimensions()  # a file may claim any size; only the rows that are there count
    rows: Iterator[tuple[Any, ...]] = sheet.iter_rows(max_col=MAX_COLUMNS + 1)
    return rows


def _cell(cell: Any, under: Any) -> Cell:
    content = cell.value
    if content is None:
        formula = under.value
        is_formula = getattr(under, "data_type", "") == "f" or hasattr(formula, "ref")
        return UnstoredFormula(str(getattr(formula, "text", formula))[:60]) if is_formula else None
    if isinstance(content, datetime):
        return content.date()
    if isinstance(content, bool | date):
        return content
    if isinstance(content, int | float):
        return f"{content * 100:.10g}%" if "%" in (cell.number_format or "") else float(content)
    return _text(str(content))


def _text(content: str) -> str | None:
    text = " ".join(content.replace("\u00a0", " ").replace("\x00", "").split())
    return None if text.lower() in BLANK else text[:MAX_CELL_CHARACTERS]


def _keep(grid: Grid, number: int, cells: list[Cell]) -> None:
    del cells[MAX_COLUMNS:]
    if any(cell is not None for cell in cells):
        grid.rows.append((number, cells))


def _delimited(
    name: str,
    content: bytes,
    count_headings: Callable[[str, list[Cell]], int],
    problems: list[Problem],
) -> Grid:
    text = decoded(content)
    head = "\n".join(text.splitlines()[:25])

    def known(delimiter: str) -> tuple[int, int]:
        try:
            rows = list(csv.reader(io.StringIO(head), delimiter=delimiter))
        except csv.Error:
            return 0, 0
        return (
            max((count_headings(name, [_text(c) for c in row]) for row in rows), default=0),
            max((len(row) for row in rows), default=0),
        )

    delimiter = max(",;\t|", key=known)
    grid = Grid(name, mark={";": ",", ",": "."}.get(delimiter))
    # strict=False: a stray quote spoils its own row and no other
    reader = csv.reader(io.StringIO(text), delimiter=delimiter)
    for _ in range(MAX_ROWS + 1):
        number = reader.line_num + 1
        try:
            row = next(reader)
        except StopIteration:
            return grid
        except csv.Error as error:
            cause = "the file cannot be read as delimited text"
            raise Rejected(cause, str(error), "a CSV file") from error
        cells: list[Cell] = [_text(cell) for cell in row]
        if len(cells) > MAX_COLUMNS:
            problems.append(_too_wide(name, number))
        _keep(grid, number, cells)
    problems.append(_too_long(name))
    return grid


def decoded(content: bytes) -> str:
    """Return text of a file: UTF-8 or UTF-16 with its mark, UTF-8 without, else Windows-1252."""
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return content.decode("utf-16", errors="replace")
    for zeros, encoding in ((content[1:200:2], "utf-16-le"), (content[0:200:2], "utf-16-be")):
        if len(zeros) > 4 and zeros.count(0) > len(zeros) * 0.7:
            return content.decode(encoding, errors="replace")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("cp1252", errors="replace")


def _too_long(name: str) -> Problem:
    expected = f"at most {MAX_ROWS:,} rows; the rows below are not read"
    return Problem(name, MAX_ROWS + 1, "", "the sheet has too many rows", "", expected)


def _too_wide(name: str, number: int) -> Problem:
    expected = f"at most {MAX_COLUMNS:,} columns; those to the right are not read"
    return Problem(name, number, "", "the row has too many columns", "", expected, "none")
