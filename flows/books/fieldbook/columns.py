"""Which heading each column of a sheet has, and in which unit it is written."""

import re
from dataclasses import dataclass
from functools import partial

from flows.books.fieldbook import units
from flows.books.fieldbook.files import Cell, Grid
from flows.books.fieldbook.problem import Problem, nearest_or_all, shown
from schemas.catalogue import TABLES
from schemas.fieldbook.parts import Heading, Reads, Sheet
from schemas.fieldbook.sheets import SHEETS

_BRACKET = re.compile(r"^(.*?)\s*[(\[]\s*(.*?)\s*[)\]]\s*$")
# 'bu ac' of a heading yield_bu_ac is a fraction; 'kg ha-1' is not meant
_TWO_WORDS = re.compile(r"^(?!per )[a-z]+ (ac|acre|ha|hectare|s|sec|h|hour)$")
_HEADING_ROWS = 20


@dataclass(frozen=True, slots=True)
class Column:
    """A column that is read: its place, its heading as written, and its unit (a pint expression)."""

    place: int
    written: str
    heading: Heading
    unit: str | None

    @property
    def needed(self) -> bool:
        """Whether a row cannot do without a good value here."""
        return self.heading.must or self.heading.vital


@dataclass(frozen=True, slots=True)
class Layout:
    """The columns of a sheet and the row that the headings stand in."""

    sheet: Sheet
    row: int
    columns: tuple[Column, ...]


def sheet_of(name: str) -> Sheet | None:
    """Return the sheet that a name means, case and spaces aside."""
    plain = _plain(name)
    return next((s for s in SHEETS if plain in (s.name, *s.also)), None)


def count_headings(name: str, cells: list[Cell]) -> int:
    """Return how many of the cells are headings of the sheet."""
    sheet = sheet_of(name)
    sheets = (sheet,) if sheet else SHEETS
    return max(
        sum(match(s, cell) is not None for cell in cells if isinstance(cell, str)) for s in sheets
    )


def layout(grid: Grid, sheet: Sheet) -> tuple[Layout | None, list[Problem]]:
    """Return the columns of a grid; None if its first rows lack headings or a required one."""
    counted = [
        (count_headings(sheet.name, cells), -place, number, cells)
        for place, (number, cells) in enumerate(grid.rows[:_HEADING_ROWS])
    ]
    if not counted:
        return None, []
    hits, _, row, cells = max(counted, key=lambda c: c[:2])
    names = ", ".join(h.name for h in sheet.headings)
    fault = partial(Problem, grid.name, row)
    if hits == 0:
        return None, [fault("", "no headings were found", "", f"a row with {names}", "sheet")]
    columns: list[Column] = []
    problems: list[Problem] = []
    for place, cell in enumerate(cells):
        if cell is None:
            if any(len(c) > place and c[place] is not None for n, c in grid.rows if n > row):
                column, expected = f"number {place + 1}", f"one of {names}"
                problems.append(fault(column, "a column has no heading", "", expected, "value"))
            continue
        hit = match(sheet, cell) if isinstance(cell, str) else None
        if hit is None:
            problems.append(_unknown(grid, row, sheet, cell))
        elif any(c.heading is hit[0] and _rival(c.unit, hit[1]) for c in columns):
            cause = "the same column stands twice"
            problems.append(fault(str(cell), cause, shown(cell), "each column once", "value"))
        else:
            columns.append(Column(place, str(cell), *hit))
    absent = [h.name for h in sheet.headings if h.must and not any(c.heading is h for c in columns)]
    if absent:
        return None, problems + [
            fault(name, "a column is missing", "", f"a column {name}", "sheet") for name in absent
        ]
    return Layout(sheet, row, tuple(columns)), problems


def _rival(one: str | None, other: str | None) -> bool:
    """Two columns of one heading rival unless their units are of different kinds (gal, gal/ac)."""
    return not (one and other) or units.factor(one, other, 1.0) is not None


def _unknown(grid: Grid, row: int, sheet: Sheet, cell: Cell) -> Problem:
    text = str(cell)
    bracket = _BRACKET.match(text)
    name = _plain(bracket[1] if bracket else text)
    known = {n: h for h in sheet.headings for n in (h.name, *h.also)}
    if name in known and bracket:
        heading = known[name]
        expected = f"a unit such as {' or '.join(u for u in heading.written if u) or 'none'}"
        cause = "the unit is not known"
        return Problem(grid.name, row, text, cause, shown(bracket[2]), expected, "value")
    expected = nearest_or_all(name, list(known), "one of")
    return Problem(grid.name, row, text, "the column is not known", shown(text), expected, "value")


def match(sheet: Sheet, cell: str) -> tuple[Heading, str | None] | None:
    """Return the heading and unit that a cell means, or None."""
    text = cell.strip()
    for heading in sheet.headings:
        for column in heading.columns:
            if text.lower() == column:
                unit = TABLES[sheet.table][column].unit if heading.reads is Reads.NUMBER else ""
                return heading, unit or None
    names = {n: h for h in sheet.headings for n in (h.name, *h.also)}
    plain = _plain(text)
    if plain in names:
        return names[plain], None
    if bracket := _BRACKET.match(text):
        return _with_unit(names, _plain(bracket[1]), bracket[2])
    for name in sorted(names, key=len, reverse=True):
        if plain.startswith(name) and (rest := plain[len(name) :]) and rest[0] in " ,:;-":
            rest = rest.lstrip(" ,:;-")
            found = _with_unit(names, name, rest) or _with_unit(
                names, name, rest.removeprefix("in ")
            )
            if found:
                return found
    return None


def _with_unit(
    names: dict[str, Heading], name: str, unit: str
) -> tuple[Heading, str | None] | None:
    heading = names.get(name)
    if heading is None:
        return None
    if heading.reads is not Reads.NUMBER:
        return heading, None  # a bracket behind a day or a name is a remark
    fraction = unit.replace(" ", "/")
    tries = (fraction, unit) if _TWO_WORDS.match(unit.strip()) else (unit, fraction)
    expr = next(filter(None, map(units.expression, tries)), None)
    return (heading, expr) if expr else None


def _plain(text: str) -> str:
    return " ".join(text.replace("_", " ").lower().split()).rstrip(":.*")
