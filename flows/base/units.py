"""Convert units as written to units as stored, by pint: every one of ours is a straight line.

Loading pint takes a third of a second, so ``unit_lines.csv`` has its answers for the units that loggers
write and pages show. ``tests/flows/base/test_units.py`` compares each with pint, and prints the file.
"""

from __future__ import annotations

import csv
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pint


@cache
def registry() -> pint.UnitRegistry[float]:
    """Return the one unit registry (building it takes a moment)."""
    import pint  # noqa: PLC0415 - commands without units start without it

    units: pint.UnitRegistry[float] = pint.UnitRegistry(
        autoconvert_offset_to_baseunit=True, on_redefinition="ignore"
    )
    units.define("currency = [currency]")
    units.define("trade_bushel = [trade_bushel]")  # a mass that the crop list gives
    # of the international foot; pint's own is of the survey foot, 4 in a million larger
    units.define("acre = 4046.8564224 * meter ** 2")
    return units


@cache
def line(unit: str, target: str) -> tuple[float, float]:
    """Return slope and offset from ``unit`` to ``target``: stored = slope·x + offset.

    ``unit`` may carry a factor (``0.1 mm``). Raises ValueError in plain words if pint does not know
    the unit or if it measures something else than ``target``.
    """
    return (1.0, 0.0) if unit == target else _known().get((unit, target)) or by_pint(unit, target)


@cache
def _known() -> dict[tuple[str, str], tuple[float, float]]:
    """Return the lines of ``unit_lines.csv`` by unit and target."""
    with (files("flows.base") / "unit_lines.csv").open(encoding="utf-8") as lines:
        rows = list(csv.reader(lines))[1:]
    return {(unit, target): (float(slope), float(offset)) for unit, target, slope, offset in rows}


def by_pint(unit: str, target: str) -> tuple[float, float]:
    """Return the line of ``line``, worked out by pint."""
    from pint import DimensionalityError  # noqa: PLC0415

    units = registry()
    goal = "" if target == "1" else target
    written = "" if unit == "1" else unit
    try:
        parsed = units.parse_expression(written.replace("%", "percent")) if written else 1
        parsed = units.Quantity(parsed) if isinstance(parsed, int | float) else parsed
        factor, base = parsed.magnitude, parsed.units
        zero = units.Quantity(0.0, base).to(goal).magnitude
        if zero:  # a scale with another zero: the slope by differences, the zero on a round number
            slope = units.Quantity(1.0, _difference(str(base))).to(_difference(goal)).magnitude
            return float(slope * factor), float(-slope * round(-zero / slope, 6))
        return float(units.Quantity(1.0 * factor, base).to(goal).magnitude), 0.0
    except DimensionalityError:
        raise ValueError(f"'{unit}' cannot be turned into {target}") from None
    except Exception:  # pint's parser raises whatever its tokens lead to
        raise ValueError(f"'{unit}' is not a unit that is known here") from None


def _difference(unit: str) -> str:
    """Return the unit of a difference on that scale."""
    return f"delta_{unit}" if f"delta_{unit}" in registry() else unit
