"""Units and numbers as people write them."""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

from flows.base.units import registry
from schemas.fieldbook.words import UNIT_WORDS

_COUNTED = re.compile(r"^(1?|[^\W\d_]+( [^\W\d_]+)*)$")
_CODE = re.compile(r"^[a-z]{3}$")
_POWER = re.compile(r"^(.*?[^\d^-])\^?(-?\d)$")
_NUMBER = re.compile(
    r"^(?P<money>[$€£]\s*)?"
    r"(?P<number>[+-]?(?:\d{1,3}(?:[ '’]\d{3})+(?!\d)|\d+)?(?:[.,]\d+)*(?:[eE][+-]?\d+)?)"
    r"\s*(?P<unit>[^\d\s].*)?$"
)


@cache
def expression(written: str) -> str | None:
    """Return the pint expression of a unit as written (``bu/ac``, ``kg ha-1``, ``per t``), or None.

    A unit that begins with ``per`` is money: nothing else in a field book is.
    """
    text = written.lower().replace("²", "2").replace("−", "-").replace("·", " ")
    text = re.sub(r"\s+per\s+|\s*/\s*", "/", text.strip().strip("()[]").strip())
    text = re.sub(r"^(per\s+|/)", "currency/", text)
    above, *below = text.split("/")
    parts = [_product(above), *(_product(part) for part in below)]
    if not all(parts):
        return None
    return "/".join(f"({part})" for part in parts)


def _product(text: str) -> str:
    """Return one side of a fraction; empty where a word of it is not known."""
    text = text.strip()
    if text in UNIT_WORDS:
        return UNIT_WORDS[text]
    factors = []
    for token in re.split(r"[\s*]+", text):
        power = _POWER.match(token)
        word, exponent = (power[1], power[2]) if power else (token, "1")
        if word not in UNIT_WORDS:
            return ""
        factors.append(f"{UNIT_WORDS[word]}**({exponent})")
    return "*".join(factors)


def currency_codes(written: str) -> set[str]:
    """Return the ISO 4217 codes that a unit names."""
    words = re.split(r"[^a-z$€£¢]+", written.lower())
    return {w.upper() for w in words if _CODE.match(w) and UNIT_WORDS.get(w) == "currency"}


@cache
def factor(expr: str, target: str, bushel_kg: float | None = None) -> float | None:
    """Return the factor from ``expr`` to ``target``; None if the units are of different kinds.

    ``bushel_kg`` is the mass of the crop's bushel; without it a trade bushel fits nothing but a
    test weight, where the bushel is the measure of volume (35.239 L).
    """
    from pint import PintError  # noqa: PLC0415 - it takes a moment; status and sql do without

    units = registry()
    goal = units.parse_expression(target)
    goal = goal if isinstance(goal, units.Quantity) else units.Quantity(goal)
    if goal.dimensionality == units.Quantity(1, "kg/L").dimensionality:
        expr = expr.replace("trade_bushel", "bushel")
    elif bushel_kg is not None:
        expr = expr.replace("trade_bushel", f"({bushel_kg!r}*kilogram)")
    try:
        found = units.parse_expression(expr)
        found = found if isinstance(found, units.Quantity) else units.Quantity(found)
        return float((found / goal).to("dimensionless").magnitude)
    except PintError:
        return None


@cache
def base_of(unit: str) -> tuple[str, float] | None:
    """Return the base unit of a unit as written, and the factor to it; None if it is not known.

    Two units can be converted into each other if they have the same base unit. What is counted may
    be any word: the base unit of ``roots/dm2`` is ``roots 1 / meter ** 2``. 1 is a pure number.
    """
    counted, _, below = unit.lower().partition("/")
    whole = "dimensionless" if unit == "1" else expression(unit) if counted else None
    per = expression(below) if below and _COUNTED.match(counted) else None
    if whole is None and per is None:
        return None
    found = (1.0 * registry()(whole or f"1/({per})")).to_base_units()
    word = "" if whole or counted == "1" else counted
    return f"{word} {found.units}".strip(), float(found.magnitude)


def names_bushel(expr: str) -> bool:
    """Return whether the unit needs the crop's bushel weight."""
    return "trade_bushel" in expr


@dataclass(frozen=True, slots=True)
class Written:
    """A number as written: its digits and separators, and the unit behind it if there is one."""

    digits: str
    unit: str | None


def written(text: str) -> Written | None:
    """Take a cell's text apart; None where it is no number."""
    match = _NUMBER.match(text.replace("\u00a0", " ").replace("\u202f", " ").replace("−", "-"))
    if match is None or not any(c.isdigit() for c in match["number"]):
        return None
    return Written(re.sub(r"[ '’]", "", match["number"]), (match["unit"] or "").strip() or None)


def decimal_mark(digits: str) -> str | None:
    """Return the decimal mark that a number shows: '.' or ','; None if either is possible."""
    seps = [c for c in digits if c in ".,"]
    if not seps:
        return None
    if len(set(seps)) == 2:
        return seps[-1]
    other = "," if seps[0] == "." else "."
    if len(seps) > 1:
        return other
    whole, _, rest = digits.lstrip("+-").partition(seps[0])
    grouped = len(rest) == 3 and rest.isdigit() and 1 <= len(whole) <= 3 and whole[0] != "0"
    return None if grouped else seps[0]


def decimal_marks(numbers: Iterable[str]) -> set[str]:
    """Return the decimal marks that a column's numbers betray."""
    return {mark for digits in numbers if (mark := decimal_mark(digits))}


def value(digits: str, mark: str | None) -> float | None:
    """Return the number; None where it could be read two ways, or with this mark not at all.

    The other mark may only part groups of three (of two before them, as in 1,00,000).
    """
    own = decimal_mark(digits)
    if any(c in ".," for c in digits):
        mark = own or mark
        if mark is None:
            return None
        other = "," if mark == "." else "."
        before, _, after = digits.partition(mark)
        grouped = rf"[+-]?\d{{1,3}}(\{other}\d{{2,3}})*\{other}\d{{3}}"
        if other in after or (other in before and not re.fullmatch(grouped, before)):
            return None
        digits = digits.replace(other, "").replace(mark, ".")
    try:
        return float(digits)
    except ValueError:
        return None
