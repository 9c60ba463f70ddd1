"""Cells in a reader's units: numbers, money, days and words."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, tzinfo
from math import floor
from typing import Any, Literal

from flows.base import units
from flows.pages.cells import Cell, Frame, Part, Phrase, written
from schemas.table import Kind, Share

System = Literal["metric", "us", "canada"]
NBSP = "\N{NO-BREAK SPACE}"

# declared unit -> (pint unit shown, label, decimals), by system of units
_METRIC = {
    "mm": ("mm", "mm", 1),
    "cm": ("cm", "cm", 0),
    "m": ("m", "m", 1),
    "degC": ("degC", "°C", 1),
    "delta_degC*day": ("delta_degC*day", "°C days", 0),
    "kg/hectare": ("tonne/hectare", "t/ha", 2),
    "kg/hectare/mm": ("kg/hectare/mm", "kg/ha/mm", 1),
    "L/hectare": ("L/hectare", "L/ha", 1),
    "hectare": ("hectare", "ha", 1),
    "m^3": ("m^3", "m³", 0),
    "km/hour": ("km/hour", "km/h", 1),
    "MPa": ("MPa", "MPa", 1),
    "V": ("V", "V", 1),
    "day": ("day", "days", 0),
    "percent": ("percent", "%", 0),
    "currency": ("currency", "{money}", 0),
    "currency/hectare": ("currency/hectare", "{money}/ha", 0),
    "currency/kg": ("currency/tonne", "{money}/t", 0),
}
_ACRES = {
    "kg/hectare": ("bushel/acre", "bu/ac", 1),
    "kg/hectare/mm": ("bushel/acre/mm", "bu/ac/mm", 2),
    "hectare": ("acre", "ac", 0),
    "L/hectare": ("L/acre", "L/ac", 1),
    "currency/hectare": ("currency/acre", "{money}/ac", 0),
    "currency/kg": ("currency/bushel", "{money}/bu", 2),
}
_INCHES = {
    "mm": ("inch", "in", 2),
    "cm": ("inch", "in", 0),
    "m": ("foot", "ft", 0),
    "degC": ("degF", "°F", 0),
    "delta_degC*day": ("delta_degF*day", "°F days", 0),
    "kg/hectare/mm": ("bushel/acre/inch", "bu/ac/in", 1),
    "L/hectare": ("gallon/acre", "gal/ac", 1),
    "m^3": ("acre*inch", "ac-in", 1),
    "km/hour": ("mile/hour", "mph", 1),
    "MPa": ("psi", "psi", 0),
}
# Units that a brief page shows with one decimal less.
_COARSE = ("mm", "degC")
SYSTEMS: dict[str, dict[str, tuple[str, str, int]]] = {
    "metric": _METRIC,
    "canada": _METRIC | _ACRES,
    "us": _METRIC | _ACRES | _INCHES,
}


@dataclass(frozen=True, slots=True)
class Show:
    """How one reader sees values: their units, the farm's currency and clock, its crops' bushels.

    With ``brief``, as in the weekly digest, water and temperature have one decimal less and days are
    written out.
    """

    system: System = "metric"
    currency: str = "USD"
    bushels: Mapping[str, float] = field(default_factory=dict)
    zone: tzinfo = UTC
    brief: bool = False

    def unit_of(self, unit: str, crop: str | None = None) -> tuple[float, float, str, int]:
        """Slope, offset, label and decimals of a declared unit as this reader sees it."""
        unit = unit.replace("kg/ha", "kg/hectare") if unit == "kg/ha" else unit
        shown = SYSTEMS[self.system].get(unit)
        if shown is None:
            return 1.0, 0.0, "", 0
        to, label, decimals = shown
        label = label.format(money=self.currency)
        if "bushel" not in to:
            slope, offset = units.line(unit, to)
            return slope, offset, label, decimals
        mass = self.bushels.get(crop or "")
        if not mass:  # a crop without a bushel, or several crops together: by mass
            to, label, decimals = {
                "kg/hectare": ("lb/acre", "lb/ac", 0),
                "currency/kg": ("currency/lb", f"{self.currency}/lb", 3),
            }.get(unit, _METRIC[unit])
            return units.line(unit, to)[0], 0.0, label, decimals
        slope = units.line(unit, to.replace("bushel", "kg"))[0]
        return slope * mass if unit == "currency/kg" else slope / mass, 0.0, label, decimals

    def number(self, cell: Cell) -> float:
        """The value in the reader's unit."""
        slope, offset, _, _ = self.unit_of(cell.declared.unit, cell.crop)
        return float(cell.value) * slope + offset

    def cell(self, cell: Cell) -> str:
        """A cell as text, its unit with it; a missing one says so."""
        value, column = cell.value, cell.declared
        if value is None:
            return "not known"
        if column.kind is not Kind.NUMBER:
            return self._text(column.name, value)
        if column.share:
            return _percent(column.share, 100 * value, cell.signed)
        if column.unit == "1":
            return fixed(value, 0 if column.name.startswith("corn_heat") else 2, cell.signed)
        _, _, label, decimals = self.unit_of(column.unit, cell.crop)
        if self.brief and column.unit in _COARSE:
            decimals = max(0, decimals - 1)
        if cell.bare:
            label = ""
        if label == "days" and round(abs(value)) == 1:
            label = "day"
        between = "" if label == "%" else NBSP
        number = fixed(self.number(cell), decimals, cell.signed)
        return f"{number}{between}{label}".rstrip(NBSP)

    def part(self, part: Part) -> str:
        """Any part of a sentence as text."""
        if isinstance(part, Cell):
            return self.cell(part)
        return part.text if isinstance(part, Frame) else part

    def phrase(self, phrase: Phrase) -> str:
        """A sentence as text."""
        return "".join(self.part(part) for part in phrase)

    def _text(self, name: str, value: Any) -> str:
        """Times by the farm's clock, days as ISO 8601 has them or written out, words on one line."""
        if isinstance(value, datetime):
            at = value.astimezone(self.zone)
            day = written(at.date()) if self.brief else at.date().isoformat()
            return f"{day} {at:%H:%M}"
        if isinstance(value, date) and self.brief:
            return written(value)
        text = " ".join(str(value).split())
        return text.replace("_", " ") if name in ("crop", "member") else text


def _percent(share: Share, value: float, signed: bool) -> str:
    """A share in percent; what is short of certain or of whole is not rounded to it."""
    if share is Share.COVERAGE:
        value = floor(value + 1e-9)
    if share is Share.CHANCE and 99.5 <= value < 100:
        return "more than 99%"
    if share is Share.CHANCE and 0 < value < 0.5:
        return "less than 1%"
    return f"{fixed(value, 0, signed)}%"


def fixed(value: float, decimals: int, signed: bool = False) -> str:
    """A number with fixed decimals, never a minus before a zero."""
    text = f"{value:+.{decimals}f}" if signed else f"{value:.{decimals}f}"
    return text.lstrip("+-") if not float(text) else text
