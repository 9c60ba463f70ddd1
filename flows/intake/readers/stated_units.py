"""The unit that an answer says of itself, held against the layout's: a contradiction is refused.

SensorThings (OGC 18-088, table of Datastream) gives ``unitOfMeasurement`` with name, symbol and
definition. Symbols are those of UCUM and their usual short forms; one that is not known here is
left unjudged.
"""

from __future__ import annotations

from typing import Any

from flows.base import units
from flows.intake.readers import Unreadable
from schemas.farm.layout import ColumnRule
from schemas.quantities import BY_NAME

SYMBOLS: dict[str, str] = {
    **dict.fromkeys(("cel", "°c", "degc", "c", "degree celsius", "celsius", "centigrade"), "degC"),
    **dict.fromkeys(("[degf]", "°f", "degf", "f", "degree fahrenheit", "fahrenheit"), "degF"),
    **dict.fromkeys(("k", "kelvin"), "kelvin"),
    **dict.fromkeys(("%", "percent"), "percent"),
    **dict.fromkeys(("mm", "millimeter", "millimetre"), "mm"),
    **dict.fromkeys(("[in_i]", "in", "inch"), "inch"),
    **dict.fromkeys(("m/s", "m.s-1", "meter per second", "metre per second"), "m/s"),
    **dict.fromkeys(("km/h", "km.h-1"), "km/h"),
    **dict.fromkeys(("[mi_i]/h", "mph"), "mph"),
    **dict.fromkeys(("w/m2", "w/m^2", "w/m²", "w.m-2"), "W/m^2"),
    **dict.fromkeys(("m3/m3", "m^3/m^3", "m³/m³"), "m^3/m^3"),
    **dict.fromkeys(("hpa", "mbar"), "hPa"),
    "kpa": "kPa", "pa": "Pa", "v": "V", "mv": "mV",
}  # fmt: skip


def check(series: str, said: Any, rule: ColumnRule) -> None:
    """Raises Unreadable where an answer names a unit that is not the layout's."""
    if not isinstance(said, dict):
        return
    for key in ("symbol", "name"):
        word = str(said.get(key) or "").strip()
        unit = SYMBOLS.get(word.lower())
        if unit is None:
            continue
        target = BY_NAME[rule.quantity].unit
        ours = rule.unit or target
        if not _same(unit, ours, target):
            raise Unreadable("another unit", f"{series} in {word}", f"{ours}, as the layout says")
        return


def _same(one: str, other: str, target: str) -> bool:
    try:
        first = units.line(one, target)
    except ValueError:
        return False  # it measures something else
    return all(
        abs(a - b) <= 1e-9 * max(1.0, abs(b))
        for a, b in zip(first, units.line(other, target), strict=True)
    )
