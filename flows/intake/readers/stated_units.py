"""The unit that an answer states, compared with the layout's: a contradiction is rejected.

SensorThings (OGC 18-088, table of Datastream) gives ``unitOfMeasurement`` with name, symbol and
definition. Symbols are those of UCUM and their usual short forms; one that is not known here is
not checked.
"""

from __future__ import annotations

from typing import Any

from flows.base import units
from flows.intake.readers.chunk import Unreadable
from schemas.farm.layout import ColumnRule
from schemas.quantities import BY_NAME

# Unit → how services write it, in lower case.
SPELLINGS = {
    "degC": "cel, °c, degc, c, degree celsius, celsius, centigrade",
    "degF": "[degf], °f, degf, f, degree fahrenheit, fahrenheit",
    "kelvin": "k, kelvin",
    "percent": "%, percent",
    "mm": "mm, millimeter, millimetre",
    "inch": "[in_i], in, inch",
    "m/s": "m/s, m.s-1, meter per second, metre per second",
    "km/h": "km/h, km.h-1",
    "mph": "[mi_i]/h, mph",
    "W/m^2": "w/m2, w/m^2, w/m², w.m-2",
    "m^3/m^3": "m3/m3, m^3/m^3, m³/m³",
    "hPa": "hpa, mbar",
    "kPa": "kpa",
    "Pa": "pa",
    "V": "v",
    "mV": "mv",
}
UNITS = {word: unit for unit, words in SPELLINGS.items() for word in words.split(", ")}


def check(series: str, stated: Any, rule: ColumnRule) -> None:
    """Compare the unit that an answer states with the layout's; raises Unreadable if they differ.

    ``stated``: the answer's ``unitOfMeasurement``. A unit that is not known here passes.
    """
    if not isinstance(stated, dict):
        return
    words = (str(stated.get(key) or "").strip() for key in ("symbol", "name"))
    word = next((word for word in words if word.lower() in UNITS), None)
    if word is None:
        return
    target = BY_NAME[rule.quantity].unit
    ours = rule.unit or target
    if not _same(UNITS[word.lower()], ours, target):
        raise Unreadable("another unit", f"{series} in {word}", f"{ours}, as the layout says")


def _same(one: str, other: str, target: str) -> bool:
    """Return whether two units lead to ``target`` by the same factor and offset."""
    try:
        first = units.line(one, target)
    except ValueError:
        return False  # it measures something else
    return all(
        abs(a - b) <= 1e-9 * max(1.0, abs(b))
        for a, b in zip(first, units.line(other, target), strict=True)
    )
