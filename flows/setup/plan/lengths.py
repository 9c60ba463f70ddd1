"""Lengths as growers write them, and as their own units show them."""

from __future__ import annotations

import re

from flows.base import units
from flows.base.errors import UserError
from flows.pages.reader_units import NBSP, Show, fixed

_LENGTH = re.compile(r"(\d+(?:\.\d+)?)\s*(m|meters?|ft|feet|foot|in|inch|inches)?", re.IGNORECASE)
_UNIT = {"": "", "m": "meter", "f": "foot", "i": "inch"}


def meters(option: str, written: str, show: Show, least: float, most: float) -> float:
    """Return a length such as '30 ft' or '9.1 m' in meters; without a unit in the reader's own.

    Raises UserError naming the option if it is no length or not between ``least`` and ``most`` m.
    """
    found = _LENGTH.fullmatch(written.strip())
    if found is None:
        raise UserError(f"{option} {written}: expected a length such as '30 ft' or '9.1 m'.")
    letter = (found[2] or show.unit_of("m")[2])[0].lower()
    value = float(found[1]) * units.line(_UNIT[letter], "meter")[0]
    if not least <= value <= most:
        raise UserError(
            f"{option} {written}: expected {least:g} to {most:g} m ({least / 0.3048:.0f} to "
            f"{most / 0.3048:.0f} ft). Give the unit, such as '30 ft' or '9.1 m'."
        )
    return value


def shown(value: float, unit: str, show: Show, decimals: int | None = None) -> str:
    """Return a value of a declared unit (m, hectare, currency/hectare) in the reader's own, with it."""
    slope, _, label, usual = show.unit_of(unit)
    return f"{fixed(value * slope, usual if decimals is None else decimals)}{NBSP}{label}"
