"""Reads a table of monthly normals: twelve rows, headings with units, as people write them."""

import csv
import io
import re
from calendar import month_abbr

import polars as pl

from flows.base import units
from flows.books.fieldbook import Problem
from schemas import generated
from schemas.catalogue import TABLES

HEADING = re.compile(
    r"^\s*(?P<name>[a-z ]+?)\s*(?:[(\[](?P<unit>[^)\]]+)[)\]])?\s*$", re.IGNORECASE
)
COLUMNS = {
    "month": "month",
    "rain": "rain_mm",
    "precipitation": "rain_mm",
    "temperature": "air_temp_mean_c",
    "mean temperature": "air_temp_mean_c",
    "years": "years",
}
NEEDS_UNIT = ("rain_mm", "air_temp_mean_c")
SHORT = {"C": "degC", "F": "degF", "in": "inch"}


def read(data: bytes) -> tuple[dict[str, pl.DataFrame], list[Problem]]:
    """Return the table ``normal_given`` and what was wrong with the file.

    A CSV file with a row a month: ``month`` (1 to 12 or a name), ``rain (mm)``, and if known
    ``temperature (C)`` and ``years``. A unit must stand in the heading.
    """
    table = TABLES["normal_given"]
    text = data.decode("utf-8-sig", errors="replace")
    dialect = ";" if text.split("\n", 1)[0].count(";") else ","
    problems: list[Problem] = []
    try:
        rows = [row for row in csv.reader(io.StringIO(text), delimiter=dialect) if any(row)]
    except csv.Error as error:
        return {}, [Problem("", 0, "", "no table of normals", str(error), "a CSV file", "book")]
    places = _places(rows[0] if rows else [], problems)
    if "month" not in places or "rain_mm" not in places:
        expected = "headings month and rain (mm) or rain (in)"
        found = ", ".join(rows[0]) if rows else "an empty file"
        return {}, [Problem("", 0, "", "no table of normals", found, expected, "book")]
    kept: list[dict[str, float]] = []
    for number, row in enumerate(rows[1:], start=2):
        read_row = _row(number, row, places, problems)
        if read_row is not None:
            kept.append(read_row)
    frame = pl.DataFrame(kept, schema=dict.fromkeys(table.names, pl.Float64))
    if frame["month"].is_duplicated().any():
        problems.append(
            Problem("", 0, "month", "a month stands twice", "", "each month once", "none")
        )
    frame = frame.unique("month", keep="first", maintain_order=True)
    return {"normal_given": generated.conform(frame, table).sort(table.key)}, problems


def _places(headings: list[str], problems: list[Problem]) -> dict[str, tuple[int, float, float]]:
    """Return column → its place, slope and offset to the stored unit."""
    places: dict[str, tuple[int, float, float]] = {}
    for place, heading in enumerate(headings):
        match = HEADING.match(heading)
        column = COLUMNS.get(match["name"].strip().lower()) if match else None
        if match is None or column is None:
            continue
        slope, zero = 1.0, 0.0
        if column in NEEDS_UNIT:
            unit = SHORT.get((match["unit"] or "").strip(), match["unit"] or "")
            try:
                slope, zero = units.line(unit.strip(), TABLES["normal_given"][column].unit)
            except ValueError:
                expected = "a unit in brackets: mm or in, C or F"
                problems.append(Problem("", 1, heading, "no unit", heading, expected, "sheet"))
                continue
        places[column] = (place, slope, zero)
    return places


def _row(
    number: int,
    row: list[str],
    places: dict[str, tuple[int, float, float]],
    problems: list[Problem],
) -> dict[str, float] | None:
    values: dict[str, float] = {}
    for column, (place, slope, zero) in places.items():
        cell = row[place].strip() if place < len(row) else ""
        if not cell:
            continue
        value = _month(cell) if column == "month" else _number(cell)
        declared = TABLES["normal_given"][column]
        converted = None if value is None else value * slope + zero
        low, high = declared.low or float("-inf"), declared.high or float("inf")
        if converted is None or not low <= converted <= high:
            expected = generated.describe(declared)
            problems.append(
                Problem("", number, column, "the value cannot be used", cell, expected, "value")
            )
            continue
        values[column] = converted
    return values if "month" in values else None


def _month(cell: str) -> float | None:
    names = [name.lower() for name in month_abbr]
    if cell[:3].lower() in names[1:]:
        return float(names.index(cell[:3].lower()))
    return _number(cell)


def _number(cell: str) -> float | None:
    try:
        return float(cell.replace(",", "."))
    except ValueError:
        return None
