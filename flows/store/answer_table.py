"""An answer as a text table: numbers rounded to what they mean, the farm's clock, empty columns left out.

CSV, JSON and Parquet carry every digit and UTC; a table is to be read by a person.
"""

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import duckdb

from flows.base.plain_text import counted, noun, text_table
from flows.store.query import unanswered

# Decimals by the unit at the end of a column's name: about what the instruments and scales resolve.
DECIMALS = {
    **dict.fromkeys(("kg_ha", "kg", "w_m2", "lb_ac"), 0),
    **dict.fromkeys(("c", "f", "pct", "h", "d", "m_s", "km_h", "mph", "bu_ac", "ha", "ac"), 1),
    **dict.fromkeys(("mm", "in", "cm", "m", "ft", "kpa", "mpa", "mj_m2", "v", "share"), 2),
    **dict.fromkeys(("coverage", "chance", "per_ha", "per_ac", "per_kg", "per_bu", "kg_ha_mm"), 2),
}
DIGITS = 6  # of a number whose column names no unit
_NUMBERS = ("TINYINT", "SMALLINT", "INTEGER", "BIGINT", "HUGEINT", "FLOAT", "DOUBLE", "DECIMAL")
_TIME = "TIMESTAMP WITH TIME ZONE"


def to_table(
    answer: duckdb.DuckDBPyRelation,
    limit: int,
    zone: ZoneInfo | None = None,
    width: int | None = None,
) -> str:
    """Return a text table of at most ``limit`` rows (0: of all); the last line says how many there are.

    ``zone`` is the farm's: times are shown by its clock, which the last line names. ``width``: of
    the terminal, in characters; columns that do not fit are named below the table. None: as wide
    as it comes. Only the rows that are shown are fetched. Raises UserError if the query fails.
    """
    rows, number = _fetched(answer, limit)
    names, types = answer.columns, [str(kind) for kind in answer.types]
    filled = [
        place
        for place in range(len(names))
        if not rows or any(row[place] is not None for row in rows)
    ] or list(range(len(names)))
    empty = [name for place, name in enumerate(names) if place not in filled]
    shown = [names[place] for place in filled]
    timed = any(types[place] == _TIME for place in filled)
    cells = [[cell(_by_clock(row[p], zone), names[p]) for p in filled] for row in rows]
    fit = _fitting(shown, cells, width)
    numbers = {
        n for n, p in enumerate(filled[:fit]) if types[p].removeprefix("U").startswith(_NUMBERS)
    }
    lines = text_table([row[:fit] for row in cells], numbers, shown[:fit])
    clock = [f"Times: {zone.key if zone else 'UTC'}"] if timed else []
    return "\n".join([*lines, *_not_shown(empty, shown[fit:]), *clock, _count(number, limit)])


def _fetched(answer: duckdb.DuckDBPyRelation, limit: int) -> tuple[list[tuple[Any, ...]], int]:
    """Return the rows to show, and how many there are."""
    try:
        rows = answer.limit(limit + 1).fetchall() if limit else answer.fetchall()
        if not limit or len(rows) <= limit:
            return rows, len(rows)
        ((number,),) = answer.count("*").fetchall()
    except duckdb.Error as error:
        raise unanswered(error) from error
    return rows[:limit], number


def _by_clock(value: object, zone: ZoneInfo | None) -> object:
    """Return a time by the farm's clock, any other value as it is."""
    if isinstance(value, datetime) and value.tzinfo is not None and zone is not None:
        return value.astimezone(zone)
    return value


def _fitting(names: list[str], cells: list[list[str]], width: int | None) -> int:
    """Return how many columns fit into the terminal, at least one."""
    if width is None:
        return len(names)
    taken = 0
    for place, name in enumerate(names):
        taken += max([len(name), *(len(row[place]) for row in cells)]) + 2
        if taken - 2 > width:
            return max(1, place)
    return len(names)


def _not_shown(empty: list[str], beyond: list[str]) -> list[str]:
    """Return a line on the columns that do not fit, and one on those without a value."""
    lines = []
    if beyond:
        more = f"{counted(len(beyond), 'column')} more than fit here: {', '.join(beyond)}"
        lines.append(f"{more} (name the columns you want, or --csv)")
    if empty:
        lines.append(f"Empty {noun(len(empty), 'column')} not shown: {', '.join(empty)}")
    return lines


def _count(number: int, limit: int) -> str:
    """Return how many rows there are, and how many of them are shown."""
    if not limit or number <= limit:
        return counted(number, "row")
    return f"{counted(number, 'row')}, the first {limit:,} shown (--rows 0 for all, or --csv)"


def cell(value: object, column: str = "") -> str:
    """Return a value as a table shows it, rounded to what the unit in its column's name resolves."""
    if value is None:
        return ""
    if isinstance(value, float):
        places = decimals(column)
        return (
            f"{value:.{DIGITS}g}" if places is None else f"{round(value, places) + 0.0:.{places}f}"
        )
    return str(value).replace("\n", " ")


def decimals(column: str) -> int | None:
    """Return the decimals of a column by the longest unit that its name ends in; None if none."""
    parts = column.casefold().split("_")
    for start in range(1, len(parts)):
        if (found := DECIMALS.get("_".join(parts[start:]))) is not None:
            return found
    return None
