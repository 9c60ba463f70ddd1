"""Depths as files write them (10, '7.5 cm', '4"', '0-10 cm') → centimeters."""

from __future__ import annotations

import re
from collections.abc import Iterable

from flows.base import units
from schemas.unit_words import unit_of

NUMBER = r"(\d+(?:[.,]\d*)?|[.,]\d+)"
WRITTEN = re.compile(rf"^[-−+]?\s*{NUMBER}(?:\s*(?:-|–|to)\s*{NUMBER})?[\s_]*([^\d\s].*)?$")
INCHES, FEET = ('"', "″", "''"), ("'", "′")


def in_cm(words: Iterable[str | None], unit: str) -> dict[str, float]:
    """Return word → depth in cm, positive down, of the words that are depths.

    ``unit``: of the words that name none. Of a range it is the middle.
    """
    found = {word: _one(word, unit) for word in words if word is not None}
    return {word: depth for word, depth in found.items() if depth is not None}


def _one(word: str, unit: str) -> float | None:
    found = WRITTEN.match(word.strip())
    if found is None:
        return None
    ends = [float(end.replace(",", ".")) for end in found.groups()[:2] if end]
    written = (found[3] or "").strip(" .")
    if written in INCHES:
        written = "inch"
    elif written in FEET:
        written = "ft"
    stated = (unit_of(written) or written) if written else unit
    try:
        slope, zero = units.line(stated, "cm")
    except ValueError:
        return None
    return abs(sum(ends) / len(ends) * slope + zero)
