"""An answer as a text table: numbers rounded to what they mean, the farm's clock, empty columns left out.

CSV, JSON and Parquet carry every digit and UTC; a table is to be read by a person.
"""

from zoneinfo import ZoneInfo

import polars as pl

from flows.base.plain_text import counted, noun, text_table

# Decimals by the unit at the end of a column's name: about what the instruments and scales resolve.
DECIMALS = {
    **dict.fromkeys(("kg_ha", "kg", "w_m2", "lb_ac"), 0),
    **dict.fromkeys(("c", "f", "pct", "h", "d", "m_s", "km_h", "mph", "bu_ac", "ha", "ac"), 1),
    **dict.fromkeys(("mm", "in", "cm", "m", "ft", "kpa", "mpa", "mj_m2", "v", "share"), 2),
    **dict.fromkeys(("coverage", "chance", "per_ha", "per_ac", "per_kg", "per_bu", "kg_ha_mm"), 2),
}
DIGITS = 6  # of a number whose column names no unit


def to_table(
    rows: pl.DataFrame, limit: int, zone: ZoneInfo | None = None, width: int | None = None
) -> str:
    """Return a text table of at most ``limit`` rows; the last line says how many there are.

    ``zone`` is the farm's: times are shown by its clock, which the last line names. ``width``: of
    the terminal, in characters; columns that do not fit are named below the table. None: as wide
    as it comes.
    """
    head = rows.head(limit)
    empty = [
        name for name in head.columns if head.height and head[name].null_count() == head.height
    ]
    if len(empty) == head.width:
        empty = []
    head = head.drop(empty)
    timed = [
        name
        for name, kind in head.schema.items()
        if isinstance(kind, pl.Datetime) and kind.time_zone is not None
    ]
    if zone is not None:
        head = head.with_columns(pl.col(timed).dt.convert_time_zone(zone.key))
    cells = [[cell(v, name) for name, v in row.items()] for row in head.iter_rows(named=True)]
    fit = _fitting(head.columns, cells, width)
    numbers = {place for place, kind in enumerate(head.dtypes[:fit]) if kind.is_numeric()}
    lines = text_table([row[:fit] for row in cells], numbers, head.columns[:fit])
    clock = [f"Times: {zone.key if zone else 'UTC'}"] if timed else []
    return "\n".join([*lines, *_not_shown(empty, head.columns[fit:]), *clock, _count(rows, limit)])


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


def _count(rows: pl.DataFrame, limit: int) -> str:
    """Return how many rows there are, and how many of them are shown."""
    if rows.height <= limit:
        return counted(rows.height, "row")
    return f"{counted(rows.height, 'row')}, the first {limit:,} shown (--rows 0 for all, or --csv)"


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
