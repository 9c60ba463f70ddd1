"""GHCN-Daily ``.dly`` files: a line a month and element, 31 values with three flags each.

Source: readme of GHCN-Daily, section III (NOAA NCEI). A value that failed the archive's own quality
checks (its quality flag is not blank) is left out, and so are -9999 and a rain of nothing that was
only presumed (measurement flag P, "missing presumed zero"). Lines are counted as day records:
31 a line of the file.
"""

from __future__ import annotations

import calendar
from collections.abc import Iterator

from flows.intake.readers.chunk import Chunk, Content, Fault, Unreadable, faults, records
from flows.intake.readers.fixed_width import pieces
from schemas.farm.layout import Layout

YEAR, MONTH, ELEMENT = slice(11, 15), slice(15, 17), slice(17, 21)
FIRST_VALUE, WIDTH, VALUE = 21, 8, 5
MEASUREMENT_FLAG, QUALITY_FLAG = 5, 6  # their places within the eight characters of a day
PRESUMED = "P"
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


def _measured(cell: str) -> bool:
    """Return whether a day's value was measured and passed the archive's checks."""
    flags = cell[MEASUREMENT_FLAG : QUALITY_FLAG + 1].ljust(2)
    return flags[0] != PRESUMED and flags[1] == " "


def _chunk(lines: list[str], before: int, layout: Layout) -> Chunk:
    rows: list[dict[str, str | None]] = []
    numbers: list[int] = []
    wrong: list[Fault] = []
    for i, line in enumerate(lines):
        first = (before + i) * DAYS + 1
        year, month, element = line[YEAR], line[MONTH], line[ELEMENT].strip()
        if not line.strip():
            continue
        if not (year.isdigit() and month.isdigit() and 1 <= int(month) <= 12):
            wrong.append((first, "", "row", "not a month's line", line[:40], "ID, year, month"))
            continue
        for day in range(calendar.monthrange(int(year), int(month))[1]):
            cell = line[FIRST_VALUE + day * WIDTH : FIRST_VALUE + (day + 1) * WIDTH]
            value = cell[:VALUE].strip()
            if len(cell) < VALUE and cell.strip():
                half = (first + day, element, "row", "half-written line", cell, "eight characters")
                wrong.append(half)
            elif value not in ("", MISSING) and _measured(cell):
                date = f"{year}{int(month):02d}{day + 1:02d}"
                rows.append(
                    {"time_0": date, "instrument": line[:11], "series": element, "value": value}
                )
                numbers.append(first + day)

    def raw(number: int) -> str:
        return lines[(number - 1) // DAYS - before]

    chunk = records(rows, numbers, layout, raw)
    return Chunk(chunk.frame, faults(wrong), raw)
