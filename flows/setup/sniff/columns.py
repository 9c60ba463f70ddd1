"""The value columns of a grid: quantity, unit, depth and missing codes, each with its evidence."""

import math
import re
from collections import Counter
from dataclasses import dataclass, field, replace
from typing import Any

import polars as pl

from flows.base import units
from flows.base.plain_text import counted
from flows.setup.sniff import flag_words, heading_parts, heading_words, headings, ports
from flows.setup.sniff.finding import Grid, Sure
from flows.setup.sniff.stamps import TIME_WORDS
from schemas.quantities import BY_NAME

SENTINELS = (
    *(-9999, -99999, -999, -99, -6999, 6999, 7999, -7999, 9999, 99999),
    *(-999.9, -99.9, -9999.9),
)
USUAL_INCHES = {2.0, 4.0, 8.0, 20.0, 40.0}
MOST_CODES = 4
LETTERED = re.compile(r"[a-z][_ .-]?[A-H]$|[_ .-][A-H]$")
TEXT_MISSING = 2  # as often a word must stand among numbers to be a missing code


@dataclass(slots=True)
class Column:
    """One value column of the export."""

    place: int
    name: str
    heading: headings.Heading
    values: pl.Series
    rule: dict[str, Any] = field(default_factory=dict)
    missing: list[float] = field(default_factory=list)
    unit_written: str | None = None
    possible: list[str] = field(default_factory=list)  # units that its values allow


def find(grid: Grid, taken: tuple[int, ...]) -> tuple[list[Column], list[str]]:
    """The columns that hold known quantities, and the names of those left out.

    A column of numbers that is left out is asked about, each by itself.
    """
    columns: list[Column] = []
    left_out: list[str] = []
    texts: Counter[str] = Counter()
    lettered, of_ports = _lettered(grid.names), ports.numbered(grid.names)
    for i, name in enumerate(grid.names):
        if i in taken:
            continue
        below = grid.units[i] if i < len(grid.units) else ""
        says = headings.heading(name, below)
        if name in lettered:
            says = replace(headings.heading(lettered[name], below), label=name[-1])
        if name in of_ports:
            rest, label = of_ports[name]
            says = replace(headings.heading(rest, below), label=label)
        values, odd = numbers(grid, i)
        if says.quantity is None or values.drop_nulls().is_empty():
            left_out.append(name)
            if 2 * values.count() > values.count() + odd.total() and not _is_time(grid, i):
                ask_left_out(grid, name, _unknown(says, values))
            continue
        letters = flag_words.behind(odd, says.quantity, values.count())
        texts.update(
            word
            for word, n in odd.items()
            if n >= TEXT_MISSING and not flag_words.is_flagged(word, letters)
            for _ in range(n)
        )
        columns.append(Column(i, name, says, values, unit_written=says.unit))
        if letters:
            _flag(grid, columns[-1], letters)
    _by_labels(columns)
    _missing(grid, columns, texts)
    return columns, left_out


def _is_time(grid: Grid, place: int) -> bool:
    """Whether a column is another time than that of the rows (the start of their interval)."""
    cells = grid.rows[f"c{place}"].head(50).to_list()
    named = TIME_WORDS.search(heading_parts.plain(grid.names[place]))
    return named is not None and all(heading_words.STAMP.search(cell) for cell in cells)


def _flag(grid: Grid, column: Column, letters: Counter[str]) -> None:
    """Propose what the letters behind a column's numbers mean."""
    quantity = str(column.heading.quantity)
    column.rule["flags"], usual = flag_words.meanings(letters, quantity, column.values.count())
    why = f"letters stand behind the numbers: {flag_words.in_words(letters)}"
    why += (
        "" if usual else "; what do they mean (good, missing, trace, accumulated, suspect, frozen)?"
    )
    sure = Sure.LIKELY if usual else Sure.UNSURE
    grid.note(f"columns.{column.name}.flags", ", ".join(letters), sure, why)


def _lettered(names: list[str]) -> dict[str, str]:
    """Headings that differ in a last letter alone (Moist A to Moist D), and what they share.

    Their C and F are no units.
    """
    stems: dict[str, list[str]] = {}
    for name in names:
        if LETTERED.search(name):
            stems.setdefault(name[:-1], []).append(name)
    return {
        name: stem.rstrip("_ .-")
        for stem, alike in stems.items()
        if {"A", "B"} <= {name[-1] for name in alike}
        for name in alike
    }


def _unknown(says: headings.Heading, values: pl.Series) -> str:
    span = f"it holds {counted(values.count(), 'number')} from {shown(values.min())} to {shown(values.max())}"
    if says.source:
        return (
            f"{span}, and in '{says.source}' this heading is something that is not read: is it so?"
        )
    if says.other:
        return f"{span}, and by its heading they are something else ({says.other}): is it so?"
    return f"{span}, and its heading names no quantity that is known here: what is it?"


def shown(value: object) -> str:
    """Return a value as a short number."""
    return f"{value:g}" if isinstance(value, int | float) else str(value)


def ask_left_out(grid: Grid, name: str, why: str) -> None:
    """Ask about a column of numbers that is left out."""
    grid.note(f"columns.{name}", "left out", Sure.UNSURE, why)


def _by_labels(columns: list[Column]) -> None:
    """Temperatures that are distinguished as the soil moistures are (A to D) are of the same sensors."""
    moist = {c.heading.label for c in columns if c.heading.quantity == "vwc" and c.heading.label}
    temps = [c for c in columns if c.heading.quantity == "air_temp" and c.heading.label in moist]
    if len(moist) > 1 and {c.heading.label for c in temps} == moist:
        for column in temps:
            column.heading = replace(column.heading, quantity="soil_temp")


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
            codes.setdefault(code, []).append(f"{column.name} ({counted(often, 'time')})")
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
        grid.note(
            "missing",
            word,
            Sure.CERTAIN,
            f"stands {counted(texts[str(word)], 'time')} among numbers",
        )
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
    options = heading_words.MEASURED_IN[heading_words.family(str(column.heading.quantity))]
    values = column.values.drop_nulls()
    low, high = _limits(column, [column.unit_written] if column.unit_written else list(options))
    usual = column.heading.usual
    if usual and not column.unit_written and 2 * values.is_between(low, high).sum() < values.len():
        low, high = _limits(column, [*options, usual])
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


def _limits(column: Column, written_in: list[str]) -> tuple[float, float]:
    """The lowest and highest that the quantity can be, as written in one of the units."""
    quantity = BY_NAME[str(column.heading.quantity)]
    low, high = math.inf, -math.inf
    for unit in written_in:
        slope, zero = 1.0, 0.0
        if converts(unit, quantity.unit):
            slope, zero = units.line(unit, quantity.unit)
        elif unit not in heading_words.MEASURED_IN[heading_words.family(quantity.name)]:
            return -math.inf, math.inf
        for limit in (quantity.column.low, quantity.column.high):
            if limit is not None:
                low, high = min(low, (limit - zero) / slope), max(high, (limit - zero) / slope)
    return low, high


def _far_off(values: pl.Series, code: float, least: int = 2) -> bool:
    """Whether a usual code lies alone, far from all other values, at least so many times."""
    others = values.filter(values != code)
    if int((values == code).sum()) < least or others.len() < 10:
        return False
    low, high = float(others.min()), float(others.max())  # type: ignore[arg-type]
    return min(abs(code - low), abs(code - high)) > 0.5 * (high - low) and not low <= code <= high


def converts(unit: str, target: str) -> bool:
    """Whether a unit measures what another one does."""
    try:
        units.line(unit, target)
    except ValueError:
        return False
    return True


def depths(grid: Grid, columns: list[Column]) -> None:
    """Depth of each probe column: by the unit written with it, else by the usual depths.

    A column whose heading says no depth is asked about; of several each is a sensor of its own.
    """
    probe = [c for c in columns if c.heading.quantity in headings.IN_THE_SOIL - {"probe_battery"}]
    deep = [c for c in probe if c.heading.depth is not None]
    _known_depths(grid, deep)
    of_ports = [c for c in probe if c.heading.depth is None and ports.LABEL in c.heading.label]
    if of_ports:
        labels = {str(c.rule.setdefault("sensor", c.heading.label)) for c in of_ports}
        grid.note("depths", "?", Sure.UNSURE, ports.question(labels))
        probe = [c for c in probe if c not in of_ports]
    for column in probe:
        alike = [c for c in probe if c.heading.quantity == column.heading.quantity]
        if column.heading.depth is not None:
            continue
        if len(alike) == 1:
            column.rule["depth_cm"] = 10.0
            why = "it has no depth: how deep?"
            grid.note(f"columns.{column.name}.depth_cm", "10", Sure.UNSURE, why)
        else:
            column.rule["sensor"] = name = column.heading.label or column.name
            why = (
                f"it has no depth: name the probe's sensor of that depth '{name}', or give depth_cm"
            )
            grid.note(f"columns.{column.name}.sensor", name, Sure.UNSURE, why)


def _known_depths(grid: Grid, columns: list[Column]) -> None:
    found = {float(c.heading.depth or 0.0) for c in columns}
    written = {str(c.heading.depth_unit) for c in columns if c.heading.depth_unit}
    unit, sure, why = "cm", Sure.LIKELY, "no unit stands with the depths; they are taken for cm"
    if written:
        unit = min(written)
        sure = Sure.CERTAIN if len(written) == 1 else Sure.UNSURE
        why = f"the headings say {' and '.join(sorted(written))}"
    elif found and found <= USUAL_INCHES and found & {2.0, 4.0, 8.0}:
        unit, sure = "inch", Sure.UNSURE
        why = "2, 4, 8, 20 and 40 are usual depths in inches: is it inches or centimeters?"
    elif len(found) > 1 and found == {float(i + 1) for i in range(len(found))}:
        sure = Sure.UNSURE
        why = "1, 2, 3 look like numbers of sensors: at which depths do they lie?"
    elif found and max(found) <= 3 and any(d != int(d) for d in found):
        unit, sure, why = "m", Sure.UNSURE, "the depths are small: meters, feet or centimeters?"
    for column in columns:
        slope, _ = units.line(column.heading.depth_unit or unit, "cm")
        at = column.rule["depth_cm"] = round(float(column.heading.depth or 0.0) * slope, 2)
        if column.heading.layer:
            why_layer = "its heading names a layer; this is its middle: which sensor is it?"
            grid.note(f"columns.{column.name}.depth_cm", f"{at:g}", Sure.UNSURE, why_layer)
    if found:
        shown = ", ".join(f"{d:g}" for d in sorted(found))
        grid.note("depths", f"{shown} {unit}", sure, why)
