"""Columns that give one quantity twice: one is taken, the others are asked about, and what they tell is used."""

from itertools import product

import polars as pl

from flows.base import units
from flows.setup.sniff import heading_words, headings
from flows.setup.sniff.columns import Column, ask_left_out, converts
from flows.setup.sniff.finding import Grid, Sure
from flows.setup.sniff.stamps import share
from schemas.quantities import BY_NAME

LEAST_PAIRS = 12  # of values that are not zero, to say that two columns are one
SAME_SHARE = 0.98


def one_a_quantity(grid: Grid, columns: list[Column]) -> tuple[list[Column], list[str]]:
    """One column a quantity and place; of several the mean, else the first. The others are asked about."""
    chosen: dict[tuple[object, ...], Column] = {}
    left_out: list[str] = []
    for column in columns:
        says = column.heading
        at = (says.depth, says.depth_unit) if says.depth is not None else (says.label, None)
        key = (str(says.quantity), *(at if says.quantity in headings.IN_THE_SOIL else ()))
        other = chosen.get(key)
        if other is None:
            chosen[key] = column
            continue
        better = says.mean and not other.heading.mean
        keep, drop = (column, other) if better else (other, column)
        chosen[key] = keep
        left_out.append(drop.name)
        why = f"'{keep.name}' gives {key[0].replace('_', ' ')} already: which of the two?"
        ask_left_out(grid, drop.name, _twice_in_units(grid, keep, drop) or why)
    return sorted(chosen.values(), key=lambda c: c.place), left_out


def _twice_in_units(grid: Grid, keep: Column, drop: Column) -> str:
    """What two columns of the same values in two units say: the unit of the one that is kept."""
    pairs = same_in_units(keep, drop)
    if len(pairs) != 1:
        return ""
    ((ours, theirs),) = pairs
    if ours == theirs:
        return f"it has the values of '{keep.name}' again"
    if keep.unit_written in (None, ours):
        keep.unit_written = ours
        why = f"'{drop.name}' holds the same in {theirs}, value by value"
        grid.note(f"columns.{keep.name}.same", f"{ours} = {theirs}", Sure.CERTAIN, why)
    return f"it is the same as '{keep.name}', in {theirs}"


def same_in_units(one: Column, other: Column) -> list[tuple[str, str]]:
    """The pairs of units in which two columns hold the same values, but for rounding."""
    both = pl.DataFrame({"a": one.values, "b": other.values}).drop_nulls()
    if both.filter((pl.col("a") != 0) & (pl.col("b") != 0)).height < LEAST_PAIRS:
        return []
    quantity = BY_NAME[str(one.heading.quantity)]
    options = heading_words.MEASURED_IN[heading_words.family(quantity.name)]
    options = tuple(u for u in options if converts(u, quantity.unit))
    last = [10.0 ** -decimals(both[name]) for name in ("a", "b")]
    found = []
    for ours, theirs in product(options, repeat=2):
        (slope, zero), (slope_b, zero_b) = (units.line(u, quantity.unit) for u in (ours, theirs))
        apart = (both["a"] * slope + zero - both["b"] * slope_b - zero_b).abs()
        if share(apart <= 0.55 * (slope * last[0] + slope_b * last[1])) >= SAME_SHARE:
            found.append((ours, theirs))
    equal = [pair for pair in found if pair[0] == pair[1]]
    return equal[:1] or found


def decimals(values: pl.Series) -> int:
    """How many digits after the point the values are written with, at most six."""
    for digits in range(6):
        if bool(((values * 10**digits).round() / 10**digits - values).abs().max() < 1e-9):
            return digits
    return 6


def once_each(grid: Grid, columns: list[Column]) -> tuple[list[Column], list[str]]:
    """The columns without those that would give a quantity, kind and place of another one again."""
    chosen: dict[tuple[object, ...], Column] = {}
    left_out: list[str] = []
    for column in columns:
        rule = column.rule
        key = tuple(map(rule.get, ("quantity", "counts", "depth_cm", "sensor")))
        if key in chosen:
            left_out.append(column.name)
            why = f"'{chosen[key].name}' gives the same at the same place: which of the two?"
            ask_left_out(grid, column.name, why)
        chosen.setdefault(key, column)
    return list(chosen.values()), left_out
