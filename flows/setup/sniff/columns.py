"""The value columns of a grid: quantity, unit, depth and missing codes, each with its evidence."""

import math
from collections import Counter
from dataclasses import dataclass, field
from typing import Any

import polars as pl

from flows.base import units
from flows.setup.sniff import heading_words
from flows.setup.sniff.finding import Grid, Sure
from schemas.quantities import BY_NAME, Instrument
from schemas.unit_words import unit_of

SENTINELS = (
    *(-9999, -99999, -999, -99, -6999, 6999, 7999, -7999, 9999, 99999),
    *(-999.9, -99.9, -9999.9),
)
USUAL_INCHES = {2.0, 4.0, 8.0, 20.0, 40.0}
MOST_CODES = 4
TEXT_MISSING = 2  # as often a word must stand among numbers to be a missing code


@dataclass(slots=True)
class Column:
    """One value column of the export."""

    place: int
    name: str
    heading: heading_words.Heading
    values: pl.Series
    rule: dict[str, Any] = field(default_factory=dict)
    missing: list[float] = field(default_factory=list)
    unit_written: str | None = None
    possible: list[str] = field(default_factory=list)  # units that its values allow


def find(grid: Grid, taken: tuple[int, ...]) -> tuple[list[Column], list[str]]:
    """The columns that hold known quantities, and the names of those left out."""
    columns: list[Column] = []
    left_out: list[str] = []
    texts: Counter[str] = Counter()
    for i, name in enumerate(grid.names):
        if i in taken:
            continue
        heading = heading_words.heading(name)
        below = unit_of(grid.units[i].strip("[]() ")) if i < len(grid.units) else None
        values, odd = numbers(grid, i)
        if heading.quantity is None or values.drop_nulls().is_empty():
            left_out.append(name)
            continue
        texts.update({word: n for word, n in odd.items() if n >= TEXT_MISSING})
        columns.append(Column(i, name, heading, values, unit_written=below or heading.unit))
    _missing(grid, columns, texts)
    columns, twice = _one_a_quantity(columns, grid)
    return columns, left_out + twice


def numbers(grid: Grid, place: int) -> tuple[pl.Series, Counter[str]]:
    """A column as numbers by the grid's decimal mark, and how often which other text stands there."""
    text = grid.rows[f"c{place}"]
    thousands, decimal = grid.layout.get("thousands", ""), grid.layout.get("decimal", ".")
    plain = text.str.replace_all(str(thousands), "", literal=True) if thousands else text
    if decimal == ",":
        plain = plain.str.replace(",", ".", literal=True)
    value = plain.cast(pl.Float64, strict=False)
    value = value.set(value.is_nan() | value.is_infinite(), None)
    return value, Counter(text.filter(value.is_null() & (text != "")).to_list())


def _missing(grid: Grid, columns: list[Column], texts: Counter[str]) -> None:
    """Missing codes: words that stand among numbers, and numbers that no sensor reports."""
    codes: dict[float, list[str]] = {}
    found_codes = {id(column): _codes(column) for column in columns}
    common = {c for own in found_codes.values() for c in own if c in SENTINELS}
    for column in columns:
        more = {c: int((column.values == c).sum()) for c in common if _far_off(column.values, c, 1)}
        for code, often in (more | found_codes[id(column)]).items():
            codes.setdefault(code, []).append(f"{column.name} ({often} times)")
            column.missing.append(code)
            column.values = column.values.set((column.values == code).fill_null(False), None)
    found: list[str | float] = [word for word in texts if word]
    everywhere: list[float] = []
    for code, where in sorted(codes.items()):
        sure = Sure.CERTAIN if code in SENTINELS else Sure.LIKELY
        why = "no sensor of it reports that value"
        grid.note("missing", f"{code:g}", sure, f"{why}: in {', '.join(where[:4])}")
        everywhere.append(int(code) if code == int(code) else code)
    for word in found:
        grid.note("missing", word, Sure.CERTAIN, f"stands {texts[str(word)]} times among numbers")
    harmless = [code for code in everywhere if not _could_be_true(code, columns)]
    if found or harmless:
        grid.layout["missing"] = [*found, *harmless]
    for column in columns:
        own = [c for c in column.missing if c not in harmless]
        if own:
            column.rule["missing"] = own


def _could_be_true(code: float, columns: list[Column]) -> bool:
    """Whether some other column may report the code as a value."""
    return (
        any(code not in c.missing and (c.values == code).any() for c in columns)
        or code not in SENTINELS
    )


def _codes(column: Column) -> dict[float, int]:
    """Values far outside what the quantity can be in any unit, which come again and again."""
    quantity = BY_NAME[str(column.heading.quantity)]
    options = heading_words.MEASURED_IN[heading_words.family(quantity.name)]
    written_in = [column.unit_written] if column.unit_written in options else list(options)
    low, high = math.inf, -math.inf
    for unit in written_in:
        slope, zero = (
            units.line(str(unit), quantity.unit) if _converts(str(unit), quantity.unit) else (1, 0)
        )
        for limit in (quantity.column.low, quantity.column.high):
            if limit is not None:
                low, high = min(low, (limit - zero) / slope), max(high, (limit - zero) / slope)
    values = column.values.drop_nulls()
    known = {
        float(s): int((values == s).sum())
        for s in SENTINELS
        if (values == s).any() and (s < low or s > high or _far_off(values, s))
    }
    if column.heading.total:
        return known
    outside = values.filter((values < low) | (values > high))
    frequent = Counter(v for v in outside.to_list() if v not in known)
    repeated = {value: n for value, n in frequent.items() if n >= 2}
    # many different ones are values in another unit than the heading says, not codes
    return known | {
        v: n for v, n in repeated.items() if len(frequent) <= MOST_CODES or n > outside.len() / 5
    }


def _far_off(values: pl.Series, code: float, least: int = 2) -> bool:
    """Whether a usual code lies alone, far from all other values, at least so many times."""
    others = values.filter(values != code)
    if int((values == code).sum()) < least or others.len() < 10:
        return False
    low, high = float(others.min()), float(others.max())  # type: ignore[arg-type]
    return min(abs(code - low), abs(code - high)) > 0.5 * (high - low) and not low <= code <= high


def _converts(unit: str, target: str) -> bool:
    try:
        units.line(unit, target)
    except ValueError:
        return False
    return True


def _one_a_quantity(columns: list[Column], grid: Grid) -> tuple[list[Column], list[str]]:
    """One column a quantity and depth; of several the mean, else the first."""
    chosen: dict[tuple[str, float | None], Column] = {}
    left_out: list[str] = []
    for column in columns:
        key = (str(column.heading.quantity), column.heading.depth)
        other = chosen.get(key)
        if other is None:
            chosen[key] = column
            continue
        better = column.heading.mean and not other.heading.mean
        keep, drop = (column, other) if better else (other, column)
        chosen[key] = keep
        left_out.append(drop.name)
        grid.note(
            f"columns.{drop.name}",
            "left out",
            Sure.LIKELY,
            f"'{keep.name}' gives {key[0].replace('_', ' ')} already",
        )
    return sorted(chosen.values(), key=lambda c: c.place), left_out


def depths(grid: Grid, columns: list[Column]) -> None:
    """Depth of each probe column: by the unit written with it, else by the usual depths."""
    probe = [c for c in columns if BY_NAME[str(c.heading.quantity)].instrument is Instrument.PROBE]
    found = {c.heading.depth for c in probe if c.heading.depth is not None}
    written = {c.heading.depth_unit for c in probe if c.heading.depth_unit}
    unit, sure, why = "cm", Sure.LIKELY, "no unit stands with the depths; they are taken for cm"
    if written:
        unit, sure = str(next(iter(written))), Sure.CERTAIN
        why = f"the headings say {unit}"
    elif found and found <= USUAL_INCHES and found & {2.0, 4.0, 8.0}:
        unit, sure = "inch", Sure.UNSURE
        why = "2, 4, 8, 20 and 40 are usual depths in inches: is it inches or centimetres?"
    elif len(found) > 1 and found == {float(i + 1) for i in range(len(found))}:
        sure, why = (
            Sure.UNSURE,
            "1, 2, 3 look like numbers of sensors: at which depths do they lie?",
        )
    elif found and max(found) <= 3 and any(d != int(d) for d in found):
        unit, sure, why = "m", Sure.UNSURE, "the depths are small: meters, feet or centimeters?"
    slope, _ = units.line(unit, "cm")
    for column in probe:
        if column.heading.depth is not None:
            column.rule["depth_cm"] = round(column.heading.depth * slope, 2)
        elif column.heading.quantity != "probe_battery":
            column.rule["depth_cm"] = 10.0
            grid.note(
                f"columns.{column.name}.depth_cm",
                "10",
                Sure.UNSURE,
                "no depth stands in it: how deep?",
            )
    if found:
        shown = ", ".join(f"{d:g}" for d in sorted(found))
        grid.note("depths", f"{shown} {unit}", sure, why)
