"""Rows of the sheet irrigation: amounts of any unit as depths of water."""

from __future__ import annotations

from typing import Any

from flows.books.fieldbook import units
from flows.books.fieldbook.problem import Problem
from flows.books.fieldbook.reader import Known, Row
from flows.books.fieldbook.sheet_problem import problem
from schemas.catalogue import TABLES

_UNIT = "a unit such as mm or in, or m3 or acre-in with the irrigated area"


def irrigation(row: Row, _: Known, __: Any) -> list[Problem]:
    """Complete a row of the sheet irrigation: strip, part, and the depth that a volume makes.

    An irrigation whose depth is not known stays, without an amount: that there was one is known.
    """
    values = row.values
    values.setdefault("strip", "both")
    values.setdefault("part", "1")
    own = values.pop("unit", None)
    if "amount_mm" in row.bushels:  # the heading names no unit, the sheet has a column for it
        number, _written = row.bushels.pop("amount_mm")
        if fault := _by_unit_column(row, number, own):
            return [fault]
    volume, area = values.get("volume_m3"), values.get("area_ha")
    if volume is not None and area:
        values["amount_mm"] = volume / area / 10  # 1 m3/ha is 0.1 mm
    elif volume is not None:
        cause, expected = "a volume without the irrigated area", "the area beside it, or a depth"
        found = f"{volume:g} m3"
        return [problem(row, "volume_m3", cause, found, expected, reject=False)]
    elif "amount_mm" not in values:
        cause = "an irrigation without an amount"
        return [problem(row, "amount_mm", cause, "", "how much water was applied", reject=False)]
    return []


def _by_unit_column(row: Row, number: float, own: Any) -> Problem | None:
    """Put an amount where the unit of its row says; return the fault if the unit says nothing."""
    if own is None:
        return problem(row, "amount_mm", "the amount has no unit", number, _UNIT)
    expression = units.expression(str(own))
    for column in ("amount_mm", "volume_m3"):
        by = expression and units.factor(expression, TABLES["irrigation"][column].unit)
        if by:
            row.values[column] = number * by
            return None
    return problem(row, "unit", "the unit is not known", own, _UNIT)
