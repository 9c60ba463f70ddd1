"""Long exports: a row a sensor, told by a column of series names or of depths."""

import re
from typing import Any

import polars as pl

from flows.base.plain_text import counted
from flows.intake.door.depths import in_cm
from flows.setup.sniff import heading_parts, headings
from flows.setup.sniff.finding import Grid, Sure
from flows.setup.sniff.heading_parts import plain
from flows.setup.sniff.stamps import Stamps
from schemas.unit_words import unit_of

MOST_SERIES = 60
UNIT_IN_CELL = re.compile(r"\d\s*[A-Za-z\"″]")
DEPTH_WORDS = ("depth", "depth cm", "depth in", "sensor depth", "soil depth", "depth m")
INSTRUMENT_WORDS = re.compile(
    r"(?<!\S)(station|site|device|logger|probe|node|unit|instrument|gateway|serial|plot|location|name|id|sn)(?!\S)"
)
MOST_INSTRUMENTS = 200
VALUE_WORDS = ("value", "reading", "result", "val", "data", "measurement")


def series(grid: Grid, taken: tuple[int, ...]) -> Grid | None:
    """A grid with a column a series, where the export has a series and a value column; else None."""
    value = next(
        (i for i, n in enumerate(grid.names) if i not in taken and plain(n) in VALUE_WORDS), None
    )
    if value is None:
        return None
    for i in range(len(grid.names)):
        if i == value or i in taken:
            continue
        names = grid.rows[f"c{i}"].unique().to_list()
        known = [n for n in names if n and headings.heading(n).quantity]
        if 1 <= len(known) <= MOST_SERIES and len(known) >= 0.5 * len([n for n in names if n]):
            return _pivoted(grid, taken, i, value, sorted(n for n in names if n))
    return None


def _pivoted(grid: Grid, taken: tuple[int, ...], at: int, value: int, names: list[str]) -> Grid:
    rows = grid.rows.with_row_index("row")
    columns: dict[str, Any] = {f"c{k}": rows[f"c{i}"] for k, i in enumerate(taken)}
    for k, name in enumerate(names):
        is_it = rows[f"c{at}"] == name
        columns[f"c{len(taken) + k}"] = pl.DataFrame({"v": rows[f"c{value}"], "is": is_it}).select(
            pl.when("is").then("v").otherwise(pl.lit(""))
        )["v"]
    layout = grid.layout | {
        "shape": "long",
        "series_column": grid.names[at],
        "value_column": grid.names[value],
    }
    long = Grid(
        [grid.names[i] for i in taken] + names, pl.DataFrame(columns), layout, found=grid.found
    )
    long.note_again(
        "shape",
        "long",
        Sure.CERTAIN,
        f"'{grid.names[at]}' holds {counted(len(names), 'name')} of series",
    )
    return long


def instrument_column(grid: Grid, taken: tuple[int, ...], found: Stamps) -> int | None:
    """The column that says which station or probe a row is of, None where the file is of one.

    Its heading says so, it holds few names, and with it no time stands twice more often than with
    the times alone.
    """
    for i, name in enumerate(grid.names):
        cells = grid.rows[f"c{i}"]
        if (
            i in taken
            or not INSTRUMENT_WORDS.search(plain(name))
            or headings.heading(name).quantity
        ):
            continue
        names = sorted({str(n) for n in cells.unique().to_list() if n})
        series = sum(headings.heading(n).quantity is not None for n in names)
        if not 1 < len(names) <= MOST_INSTRUMENTS or series >= 0.5 * len(names):
            continue
        both = pl.DataFrame({"time": found.local, "of": cells}).drop_nulls("time")
        if both.n_unique() <= 1.5 * both["time"].n_unique():
            continue  # one at a time: it says something else than which of several
        grid.layout["instrument_column"] = name
        shown = ", ".join(names[:4]) + (", …" if len(names) > 4 else "")
        why = f"'{name}' names {counted(len(names), 'instrument')} ({shown}): they must be names or ids in farm.toml"
        grid.note("instrument_column", name, Sure.LIKELY, why)
        return i
    return None


def _has_depths(names: list[str]) -> bool:
    return any(headings.heading(name).depth is not None for name in names)


def depth_column(grid: Grid, taken: tuple[int, ...], series: list[str]) -> int | None:
    """The column that says the depth of its row, None where the export is wide.

    One depth alone in it is not looked at where a heading or a name of ``series`` has its depth.
    """
    for i, name in enumerate(grid.names):
        if i not in taken and plain(heading_parts.BRACKETS.sub(" ", name)) in DEPTH_WORDS:
            words = [word for word in grid.rows[f"c{i}"].unique().to_list() if word]
            distinct = len(words)
            alone = distinct == 1 and _has_depths(series)
            if 1 <= distinct <= 30 and len(in_cm(words, "cm")) == distinct and not alone:
                grid.layout |= {"shape": "long", "depth_column": name}
                if all(UNIT_IN_CELL.search(word) for word in words):
                    why = f"it holds depths with their unit, such as {min(words)}"
                    grid.note("depth_column", name, Sure.CERTAIN, why)
                    return i
                unit = (
                    headings.heading("x " + name).depth_unit
                    or unit_of("".join(heading_parts.BRACKETS.findall(name)))
                    or ("inch" if plain(name).endswith(" in") else None)
                )
                unit = unit if unit in ("cm", "mm", "inch") else None
                if unit not in (None, "cm"):
                    grid.layout["depth_unit"] = unit
                grid.note(
                    "depth_column",
                    name,
                    Sure.CERTAIN if unit or plain(name).endswith(" cm") else Sure.UNSURE,
                    f"it holds {distinct} {'depth' if distinct == 1 else 'depths'}"
                    + ("" if unit or plain(name).endswith(" cm") else ": in cm?"),
                )
                return i
    return None
