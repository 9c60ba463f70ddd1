"""What a row of cells holds: values, units, or how the values were aggregated."""

from __future__ import annotations

import re

from flows.setup.sniff.heading_words import AGGREGATES, unit_of

NUMBER = re.compile(r"^[+-]?(\d+([.,' ]\d+)*|[.,]\d+)(e[+-]?\d+)?$", re.IGNORECASE)
MISSING_WORD = re.compile(r"^(nan|na|n/a|null|none|nodata|missing|inf|-+|\*+|m|-)$", re.IGNORECASE)
STAMP = re.compile(
    r"\d{1,4}[-/. ]\w{1,4}[-/. ]\d{1,4}|\d{1,2}:\d{2}|^\d{8}$|^\d{8}T?\d{4,6}Z?$|^\d{10}(\d{3})?$"
)


def is_data(row: list[str]) -> bool:
    """Whether a row holds values, not headings."""
    filled = [cell.strip() for cell in row if cell.strip()]
    values = [c for c in filled if NUMBER.match(c) or MISSING_WORD.match(c) or STAMP.search(c)]
    numbers = [c for c in filled if NUMBER.match(c) or STAMP.search(c)]
    return bool(numbers) and len(values) >= max(1, len(filled) * 0.5)


def is_units(row: list[str]) -> bool:
    """Whether a row holds units."""
    filled = [cell for cell in row if cell.strip()]
    units = [cell for cell in filled if unit_of(cell.strip("[]() "))]
    others = [
        c for c in filled if c.strip().upper() in ("TS", "RN", "UTC", "TIME", "DATE", "DEG", "-")
    ]
    return len(units) >= 1 and len(units) + len(others) >= len(filled) * 0.6


def is_aggregates(row: list[str]) -> bool:
    """Whether a row says how values were made of samples (Avg, Tot)."""
    filled = [cell for cell in row if cell.strip()]
    return bool(filled) and all(AGGREGATES.match(cell.strip()) for cell in filled)
