"""The unit that a file itself states, compared with the layout's: a contradiction is rejected.

It may stand in a heading or a record's key (``Rain (in)``, ``rain_in``), in a row of units, or in
an answer of SensorThings (OGC 18-088, table of Datastream: ``unitOfMeasurement`` with name, symbol
and definition). A word that names no unit that is known here (``schemas/unit_words.toml``) is not compared.
"""

import re
from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any

from flows.base import units
from flows.intake.readers.chunk import Unreadable
from schemas.farm.layout import ColumnRule, Layout
from schemas.quantities import BY_NAME
from schemas.unit_words import unit_of

CAUSE = "another unit"
BRACKETS = re.compile(r"[\[(]([^\])]*)[\])]")
AT_END = re.compile(r"[_,\s/]+([^\W\d_][^_,\s]+)$")  # one letter may as well number the sensors
FACTOR = re.compile(r"^\s*[\d.]+\s*\*?\s*")  # the layout's own: 0.1 mm where the file says mm
NO_SCALE = "degree"  # in a row of units, deg may stand for either temperature or for a direction


def check(series: str, stated: Any, rule: ColumnRule) -> None:
    """Compare the unit that an answer states with the layout's; raises Unreadable if they differ.

    ``stated``: the answer's ``unitOfMeasurement``.
    """
    if not isinstance(stated, dict):
        return
    words = [str(stated.get(key) or "").strip() for key in ("symbol", "name")]
    _compare(series, next(filter(unit_of, words), ""), rule)


def check_headings(names: Sequence[str], places: Mapping[str, int], layout: Layout) -> None:
    """Compare the units in headings with the layout's; raises Unreadable if they differ.

    ``places``: role → place of its column. What measures something else (the depth in ``VWC (10
    cm)``) is no unit of the column.
    """
    for role, place in places.items():
        rule = layout.columns.get(role.removeprefix("v:"))
        if rule is None or not role.startswith("v:"):
            continue
        inside = [*BRACKETS.findall(names[place]), *AT_END.findall(names[place])]
        word = next(filter(unit_of, inside), "")
        if word and _measures(str(unit_of(word)), BY_NAME[rule.quantity].unit):
            _compare(f"'{names[place]}'", word, rule)


def check_row(cells: Sequence[str], places: Mapping[str, int], layout: Layout) -> bool:
    """Return whether a row is one of units; raises Unreadable if they are not the layout's.

    It is one if most of the cells in the layout's columns name a unit.
    """
    found = {
        role.removeprefix("v:"): cells[place].strip().strip("[]()")
        for role, place in places.items()
        if role.startswith("v:") and place < len(cells) and cells[place].strip()
    }
    if 2 * sum(unit_of(word) is not None for word in found.values()) <= len(found):
        return False
    for name, word in found.items():
        if name in layout.columns:
            _compare(name, word, layout.columns[name])
    return True


def _compare(name: str, word: str, rule: ColumnRule) -> None:
    unit, target = unit_of(word), BY_NAME[rule.quantity].unit
    ours = rule.unit or target
    if not rule.trust_unit:
        return
    if unit is None or (unit == NO_SCALE and target != NO_SCALE):
        return
    if not any(_same(unit, one, target) for one in (ours, FACTOR.sub("", ours) or ours)):
        raise Unreadable(
            CAUSE, f"{name} in {word}", f"{ours}, as the layout says (or trust_unit = false)"
        )


def _same(one: str, other: str, target: str) -> bool:
    """Return whether two units lead to ``target`` by the same factor and offset."""
    if not (_measures(one, target) and _measures(other, target)):
        return False
    return all(
        abs(a - b) <= 1e-9 * max(1.0, abs(b))
        for a, b in zip(units.line(one, target), units.line(other, target), strict=True)
    )


@cache
def _measures(unit: str, target: str) -> bool:
    """Return whether the unit is one of what ``target`` measures."""
    try:
        units.line(unit, target)
    except ValueError:
        return False
    return True
