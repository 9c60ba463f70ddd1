"""Words that headings use (``heading_words.toml``), and what a row of cells is: values, units, kinds."""

import re
import tomllib
from pathlib import Path

from schemas.unit_words import unit_of

_WORDS = tomllib.loads(Path(__file__).with_suffix(".toml").read_text(encoding="utf-8"))


def _whole_words(pattern: str) -> re.Pattern[str]:
    return re.compile(rf"(?<!\S)(?:{pattern})(?!\S)")


QUANTITIES = {name: _whole_words(pattern) for name, pattern in _WORDS["quantities"].items()}
OTHER = {name: _whole_words(pattern) for name, pattern in _WORDS["other"].items()}
KINDS = {kind: _whole_words(pattern) for kind, pattern in _WORDS["kinds"].items()}
MEASURED_IN = {name: tuple(family["units"]) for name, family in _WORDS["families"].items()}
FAMILY: dict[str, str] = {
    q: name for name, family in _WORDS["families"].items() for q in family["quantities"]
}
AGGREGATES = re.compile(
    r"^(avg|ave|mean|min|max|smp|sample|tot(al)?|sum|std|wvc|inst|last)\.?$", re.I
)

# What a cell holds.
NUMBER = re.compile(r"^[+-]?(\d+([.,' ]\d+)*|[.,]\d+)(e[+-]?\d+)?$", re.IGNORECASE)
MISSING_WORD = re.compile(r"^(nan|na|n/a|null|none|nodata|missing|inf|-+|\*+|m|-)$", re.IGNORECASE)
DEPTH = re.compile(r'^-?\d{1,3}(\.\d+)?\s*(cm|mm|inches|inch|in|"|ft|m)?$', re.IGNORECASE)
STAMP = re.compile(
    r"\d{1,4}[-/. ]\w{1,4}[-/. ]\d{1,4}|\d{1,2}:\d{2}|^\d{8}$|^\d{8}T?\d{4,6}Z?$|^\d{10}(\d{3})?$"
)


def family(quantity: str) -> str:
    """The kind of measure that a quantity is."""
    return FAMILY.get(quantity.removesuffix("_max").removesuffix("_min"), "temp")


def is_data(row: list[str]) -> bool:
    """Whether a row holds values, not headings."""
    filled = [cell.strip() for cell in row if cell.strip()]
    values = [c for c in filled if NUMBER.match(c) or MISSING_WORD.match(c) or STAMP.search(c)]
    numbers = [c for c in filled if NUMBER.match(c) or STAMP.search(c)]
    if any(STAMP.search(c) for c in filled) and any(NUMBER.match(c) for c in filled):
        return True  # most columns may be text: names of a station, a sensor, a variable, a unit
    return bool(numbers) and len(values) >= max(1, len(filled) * 0.5)


def is_units(row: list[str]) -> bool:
    """Whether a row holds units."""
    filled = [cell for cell in row if cell.strip()]
    units = [cell for cell in filled if unit_of(cell.strip("[]() "))]
    others = [
        c for c in filled if c.strip().upper() in ("TS", "RN", "UTC", "TIME", "DATE", "DEG", "-")
    ]
    return len(units) >= 1 and len(units) + len(others) >= len(filled) * 0.6


def is_depths(row: list[str]) -> bool:
    """Whether a row holds the depths of sensors, and nothing else but a word for it."""
    filled = [cell.strip() for cell in row if cell.strip()]
    depths = [cell for cell in filled if DEPTH.match(cell)]
    return len(depths) > 1 and len(depths) >= len(filled) - 1


def is_aggregates(row: list[str]) -> bool:
    """Whether a row says how values were made of samples (Avg, Tot)."""
    filled = [cell for cell in row if cell.strip()]
    return bool(filled) and all(AGGREGATES.match(cell.strip()) for cell in filled)
