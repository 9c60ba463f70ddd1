"""GHCN-Daily ``.dly`` files: a line a month and element, 31 values with three flags each.

Source: readme of GHCN-Daily, section III (NOAA NCEI). -9999 is left out, and so is a rain of
nothing that was only presumed (measurement flag P, "missing presumed zero"). The other flags go on
with their value, measurement flags as M and the letter, quality flags as Q and the letter (see
``GHCN_FLAGS``). Rain of several days (MDPR) counts as rain, with its number of days (DAPR) where
in the same part of the file. Lines are counted as day records: 31 a line of the file.
"""

from __future__ import annotations

import calendar
from collections.abc import Iterator

from flows.intake.readers.chunk import Chunk, Content, Fault, Unreadable, faults, records
from flows.intake.readers.fixed_width import pieces
from schemas.farm.layout import Layout
from schemas.farm.open_formats import SEVERAL

YEAR, MONTH, ELEMENT = slice(11, 15), slice(15, 17), slice(17, 21)
FIRST_VALUE, WIDTH, VALUE = 21, 8, 5
MEASUREMENT_FLAG, QUALITY_FLAG = 5, 6  # their places within the eight characters of a day
PRESUMED = "P"
RAIN, TOTAL, DAYS_OF_TOTAL = "PRCP", "MDPR", "DAPR"
DAYS = 31
MISSING = "-9999"
ROWS_AT_ONCE = 2_000  # lines a chunk


def read(content: Content, layout: Layout) -> Iterator[Chunk]:
    """Yield day records; raises Unreadable where no line reads like the format."""
    line, good = content.lines_before, content.lines_before > 0
    for text, _ in pieces(content.own(), "ascii"):
        lines = text.split("\n")
        for at in range(0, len(lines), ROWS_AT_ONCE):
            chunk = _chunk(lines[at : at + ROWS_AT_ONCE], line + at, layout)
            good = good or not chunk.frame.is_empty()
            if not good and chunk.faults.height:
                found = lines[at][:40]
                raise Unreadable("another format", found, "GHCN-Daily lines of 269 characters")
            yield chunk
        line += len(lines)


def _flags(cell: str) -> str:
    """Return a day's flags, the letter of each behind M (measurement) or Q (quality)."""
    letters = {"M": cell[MEASUREMENT_FLAG:QUALITY_FLAG], "Q": cell[QUALITY_FLAG : QUALITY_FLAG + 1]}
    return " ".join(kind + letter for kind, letter in letters.items() if letter.strip())


def _days_of_totals(lines: list[str]) -> dict[str, str]:
    """Return the lines that say of how many days a total is, by station, year and month."""
    return {line[: ELEMENT.start]: line for line in lines if line[ELEMENT] == DAYS_OF_TOTAL}


def _value(line: str, day: int) -> str | None:
    """Return the value of a day of a month's line, None if it has none."""
    at = FIRST_VALUE + day * WIDTH
    value = line[at : at + VALUE].strip()
    return value if value not in ("", MISSING) else None


def _chunk(lines: list[str], before: int, layout: Layout) -> Chunk:
    rows: list[dict[str, str | None]] = []
    numbers: list[int] = []
    wrong: list[Fault] = []
    totals = _days_of_totals(lines)
    for i, line in enumerate(lines):
        first = (before + i) * DAYS + 1
        year, month, element = line[YEAR], line[MONTH], line[ELEMENT].strip()
        if not line.strip():
            continue
        if not (year.isdigit() and month.isdigit() and 1 <= int(month) <= 12):
            wrong.append((first, "", "row", "not a month's line", line[:40], "ID, year, month"))
            continue
        if element == DAYS_OF_TOTAL:
            continue
        for day in range(calendar.monthrange(int(year), int(month))[1]):
            cell = line[FIRST_VALUE + day * WIDTH : FIRST_VALUE + (day + 1) * WIDTH]
            value = cell[:VALUE].strip()
            if len(cell) < VALUE and cell.strip():
                half = (first + day, element, "row", "half-written line", cell, "eight characters")
                wrong.append(half)
            elif value not in ("", MISSING) and cell[MEASUREMENT_FLAG:QUALITY_FLAG] != PRESUMED:
                row: dict[str, str | None] = {
                    "time_0": f"{year}{int(month):02d}{day + 1:02d}",
                    "instrument": line[:11],
                    "series": element,
                    "value": value,
                    "flag": _flags(cell),
                }
                if element == TOTAL:
                    days = totals.get(line[: ELEMENT.start], "")
                    row |= {"series": RAIN, "flag": f"{SEVERAL} {_flags(cell)}".strip()}
                    row["days"] = _value(days, day)
                rows.append(row)
                numbers.append(first + day)

    def raw(number: int) -> str:
        return lines[(number - 1) // DAYS - before]

    chunk = records(rows, numbers, layout, raw)
    return Chunk(chunk.frame, faults(wrong), raw)
