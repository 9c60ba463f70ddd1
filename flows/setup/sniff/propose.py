"""Puts a layout together from what was found in an export."""

import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from io import BytesIO
from typing import Any

import polars as pl
from pydantic import ValidationError

from flows.base.plain_text import counted
from flows.intake.readers import packed
from flows.intake.readers.chunk import Unreadable
from flows.setup.sniff import (
    above,
    flag_columns,
    headings,
    long_exports,
    other_formats,
    possible_units,
    repeats,
    stamps,
    station_line,
    text,
    twice,
    unit_fit,
    zone,
)
from flows.setup.sniff import columns as value_columns
from flows.setup.sniff.columns import Column
from flows.setup.sniff.finding import CannotSniff, Finding, Grid, Proposal, Sure
from flows.setup.sniff.rain_clock import Neighbor
from schemas.farm.farm import Place
from schemas.farm.layout import Layout
from schemas.quantities import BY_NAME, COUNTED, Instrument

ENOUGH = 24 << 20  # bytes of an export that are looked at
MOST_UNPACKED = 64 << 20


def propose(
    data: bytes, place: Place | None = None, neighbors: Sequence[Neighbor] = ()
) -> Proposal:
    """A layout for an export's bytes, by its content alone.

    ``place`` (of the farm) is needed to tell the clock and helps to tell units; the rain of
    ``neighbors`` tells the clock and the end of the interval. Raises CannotSniff where
    no rows or no times can be found.
    """
    data, notes = _unpacked(data)
    known = other_formats.open_format(data)
    if known is not None:
        name, why = known
        return Proposal({"format": name}, [*notes, Finding("format", name, Sure.CERTAIN, why)])
    if not data.startswith(packed.ZIP) and (line := station_line.propose(text.some_lines(data))):
        return Proposal(_loads(line.layout), [*notes, *line.found], place=line.place)
    grid = _grid(data)
    grid.found[:0] = notes
    found = stamps.find(grid)
    lines_above = grid.above
    time, first = [grid.names[i] for i in found.places], grid.names[0]
    shape = _shape(grid, found)
    only = None if shape.of is None else _fullest(grid, shape.of)
    if stamps.only_days(found) and not shape.by_row:
        raise stamps.none_found(grid)
    if shape.grid is not grid:
        found.places = tuple(range(len(found.places)))  # where a grid of series has its times
    grid = shape.grid
    columns, left_out = value_columns.find(grid, shape.taken)
    columns, more = twice.one_a_quantity(grid, columns)
    of_flags = flag_columns.find(grid, columns, shape.taken)
    of_flags += flag_columns.rain_days(grid, columns, shape.taken)
    left_out = [name for name in left_out if name not in of_flags]
    grid.found = [f for f in grid.found if f.item not in {f"columns.{name}" for name in of_flags}]
    if not columns:
        raise CannotSniff(
            "No column of a known quantity can be found. The headings are "
            + ", ".join(grid.names)
            + "."
        )
    if only is not None:
        grid.rows, found.local = grid.rows.filter(only), found.local.filter(only)
        for column in columns:
            column.values = column.values.filter(only)
    keys = zone.find(grid, found, columns, place, neighbors)
    _rules(grid, columns, found, place, by_row=shape.depth_at is not None)
    above.depth(grid, lines_above, columns)
    above.place(grid, lines_above, place)
    columns, again = twice.once_each(grid, columns)
    layout = _layout(grid, columns, found, time, keys)
    return Proposal(_loads(layout), grid.found, left_out + more + again, first, grid.place)


@dataclass(frozen=True, slots=True)
class _Shape:
    """The grid with a column a series, which columns are spoken for, and what its rows are of."""

    grid: Grid
    taken: tuple[int, ...]
    of: int | None
    depth_at: int | None
    by_row: bool


def _shape(grid: Grid, found: stamps.Stamps) -> _Shape:
    """Whether a row is of one instrument, one sensor or one depth, and the columns that say so."""
    places = found.places
    of = long_exports.instrument_column(grid, places, found)
    taken = places if of is None else (*places, of)
    long = long_exports.series(grid, taken)
    series = () if long is None else (grid.names.index(str(long.layout["series_column"])),)
    value = () if long is None else (grid.names.index(str(long.layout["value_column"])),)
    names = grid.names if long is None else long.names
    depth_at = long_exports.depth_column(grid, (*taken, *series, *value), names)
    if long is not None:
        long.layout |= grid.layout
    own = tuple(i for i in (of, depth_at, *series) if i is not None)
    telling = repeats.telling_column(grid, found, own, (*places, *own, *value))
    if telling:
        of, taken = telling[0], (*places, *telling)
        long = None if long is None else long_exports.series(grid, taken)
    by_row = any(i is not None for i in (of, depth_at, long))
    if long is not None:
        long.layout |= flag_columns.of_rows(grid, (*places, *own, *value))
        return _Shape(long, tuple(range(len(taken))), of, depth_at, by_row)
    taken = taken if depth_at is None else (*taken, depth_at)
    return _Shape(grid, taken, of, depth_at, by_row)


def _loads(layout: dict[str, Any]) -> dict[str, Any]:
    """The layout, if it is a valid one; raises CannotSniff with what is wrong with it."""
    try:
        Layout.model_validate(layout)
    except ValidationError as error:
        faults = "; ".join(fault["msg"] for fault in error.errors())
        raise CannotSniff(f"What can be proposed is no valid layout: {faults}.") from None
    return layout


def _fullest(grid: Grid, of: int) -> pl.Series:
    """Which rows are of the instrument that has most: what follows in time is judged by one alone."""
    cells = grid.rows[f"c{of}"]
    most = cells.value_counts().sort("count", f"c{of}", descending=[True, False])
    return cells == str(most[f"c{of}"][0])


def _grid(data: bytes) -> Grid:
    if data.startswith(packed.ZIP):
        return other_formats.as_workbook(data)
    return other_formats.as_json(data) or text.grid(data[:ENOUGH])


def _unpacked(data: bytes) -> tuple[bytes, list[Finding]]:
    """The bytes inside a gzip, or of the first file in a zip; and a note of it."""
    try:
        if data.startswith(packed.GZIP):
            inside = _some(packed.unzipped(iter([data])))
            return inside, [Finding("packed", "gzip", Sure.CERTAIN, "it is read as it is, packed")]
        if data.startswith(packed.ZIP):
            with zipfile.ZipFile(BytesIO(data)) as archive:
                names = [n for n in sorted(archive.namelist()) if packed.wanted(n, "*")]
                if packed.WORKBOOK in archive.namelist():
                    return data, []
                if not names:
                    raise CannotSniff("The archive is empty.")
                with archive.open(names[0]) as stream:
                    inside = stream.read(MOST_UNPACKED)
            note = f"{counted(len(names), 'file')} in it; '{names[0]}' was looked at"
            return inside, [Finding("packed", "zip", Sure.CERTAIN, note)]
    except (Unreadable, zipfile.BadZipFile) as error:
        raise CannotSniff(str(error)) from error
    return data, []


def _some(blocks: Iterator[bytes]) -> bytes:
    out = bytearray()
    for block in blocks:
        out += block
        if len(out) >= MOST_UNPACKED:
            break
    return bytes(out)


def _rules(
    grid: Grid, columns: list[Column], found: stamps.Stamps, place: Place | None, *, by_row: bool
) -> None:
    """Units, depths and kinds of rain column."""
    setting = possible_units.Setting(
        found.local,
        max(found.step_s, 1),
        stamps.span_days(found.local),
        place.latitude if place else None,
    )
    if not by_row:
        value_columns.depths(grid, columns)
    for column in columns:
        unit_fit.unit(grid, column, setting)
    unit_fit.temperatures(grid, columns)
    unit_fit.like_the_others(grid, columns)
    for column in columns:
        quantity = BY_NAME[str(column.heading.quantity)]
        other = [n for n in grid.later if _same_column(headings.heading(n), column)]
        if other:
            column.rule["names"] = other
            why = f"further down it is called {', '.join(other)}"
            grid.note(f"columns.{column.name}.names", other, Sure.LIKELY, why)
        _note_quantity(grid, column)
        if quantity.name in COUNTED and possible_units.is_total(column.values):
            column.rule["counts"] = "total"
            why = "it climbs and stays, as a running total does"
            grid.note(f"columns.{column.name}.counts", "total", Sure.LIKELY, why)
        elif quantity.name in COUNTED and column.heading.total:
            why = "the heading speaks of a total, but the values do not climb: which is it?"
            grid.note(f"columns.{column.name}.counts", "increment", Sure.UNSURE, why)


def _note_quantity(grid: Grid, column: Column) -> None:
    says, item = column.heading, f"columns.{column.name}"
    if says.weak:
        why = f"by its heading '{column.name}' it may be something else: is it?"
        grid.note(item, str(says.quantity), Sure.UNSURE, why)
        return
    why = f"its heading is '{column.name}'" + (f", as in: {says.source}" if says.source else "")
    grid.note(item, str(says.quantity), Sure.LIKELY, why)


def _same_column(heading: headings.Heading, column: Column) -> bool:
    """Whether another heading speaks of the same quantity at the same depth, in the same unit."""
    same = (heading.quantity, heading.depth) == (column.heading.quantity, column.heading.depth)
    return same and heading.unit in (None, column.unit_written, column.rule.get("unit"))


def _layout(
    grid: Grid,
    columns: list[Column],
    found: stamps.Stamps,
    time: list[str],
    keys: dict[str, object],
) -> dict[str, Any]:
    layout = dict(grid.layout)
    stamp = layout.pop("stamp", "end")
    written: dict[str, Any] = {"columns": time}
    if found.form != "iso":
        written["format"] = found.form
    layout["step"] = stamps.step_text(found.step_s)
    layout["stamp"] = stamp
    layout["time"] = written | keys
    order = (
        *("quantity", "unit", "trust_unit", "depth_cm", "sensor", "counts", "missing", "names"),
        *("flag", "flags", "optional"),
    )
    layout["columns"] = {
        column.name: {key: column.rule[key] for key in order if key in column.rule}
        for column in columns
    }
    return layout


def instruments(proposal: Proposal) -> set[Instrument]:
    """Whether the columns are of a station, a probe, or both."""
    rules = proposal.layout.get("columns", {})
    return {BY_NAME[rule["quantity"]].instrument for rule in rules.values()}
