"""Rows of the sheet observations: a value of any quantity, with its unit."""

from __future__ import annotations

import re
from typing import Any

from flows.books.fieldbook import units
from flows.books.fieldbook.problem import Problem
from flows.books.fieldbook.reader import Known, Row
from flows.books.fieldbook.sheet_problem import problem

_BRACKET = re.compile(r"[(\[]\s*(.*?)\s*[)\]]\s*$")
_UNIT = "the unit in its own column, or behind the value; 1 for a pure number"


def observation(row: Row, _: Known, __: Any) -> list[Problem]:
    """Complete a row of the sheet observations: words in one form, the value as a number, its unit.

    The unit is in its own column, behind the value, or in the value's heading. A row without a
    value stays if it names a photograph or has a note.
    """
    values = row.values
    values["what"] = " ".join(values["what"].lower().split())
    values.setdefault("place", "1")
    depth = values.get("depth_cm")
    values["layer"] = "all" if depth is None else f"{depth:.1f}".removesuffix(".0")
    text = values.pop("value", None)
    if text is None:
        values.pop("unit", None)
        if "file" in values or "notes" in values:
            return []
        return [problem(row, "value", "nothing was observed", "", "a value, a file or a note")]
    taken = units.written(text)
    number = units.value(taken.digits, None) if taken else None
    if taken is None or number is None:
        return [problem(row, "value", "the value is not a number", text, "such as 12.5")]
    heading = _BRACKET.search(row.headings.get("value", ""))
    given = [u for u in (values.get("unit"), taken.unit, heading and heading[1]) if u]
    if not given:
        return [problem(row, "unit", "the value has no unit", text, _UNIT)]
    if len({_plain(unit) for unit in given}) > 1:
        found = " and ".join(given)
        return [problem(row, "unit", "the value has two units", found, "one of them")]
    values["value"], values["unit"] = number, _plain(given[0])
    if known := units.base_of(values["unit"]):
        values["base_unit"], values["unit_factor"] = known
    return []


def _plain(unit: str) -> str:
    """A unit as written, spaces about a slash and letters of the exponents aside."""
    text = unit.strip().strip("()[]").strip().replace("²", "2").replace("³", "3")
    return re.sub(r"\s*/\s*", "/", " ".join(text.split()))
