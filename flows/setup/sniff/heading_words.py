"""Words that headings use (``heading_words.toml``): quantity, unit, depth; and which rows they fill."""

import re
import tomllib
from dataclasses import dataclass
from pathlib import Path

from schemas.quantities import BY_NAME
from schemas.unit_words import unit_of

_WORDS = tomllib.loads(Path(__file__).with_suffix(".toml").read_text(encoding="utf-8"))


def _whole_words(pattern: str) -> re.Pattern[str]:
    return re.compile(rf"(?<!\S)(?:{pattern})(?!\S)")


QUANTITIES = {name: _whole_words(pattern) for name, pattern in _WORDS["quantities"].items()}
KINDS = {kind: _whole_words(pattern) for kind, pattern in _WORDS["kinds"].items()}
MEASURED_IN = {name: tuple(family["units"]) for name, family in _WORDS["families"].items()}
FAMILY: dict[str, str] = {
    q: name for name, family in _WORDS["families"].items() for q in family["quantities"]
}
AGGREGATES = re.compile(
    r"^(avg|ave|mean|min|max|smp|sample|tot(al)?|sum|std|wvc|inst|last)\.?$", re.I
)

# What a cell holds.
NUMBER = re.compile(r"^[+-]?(\d+([.,' ]\d+)*|[.,]\d+)(e[+-]?\d+)?$", re.IGNORECASE)
MISSING_WORD = re.compile(r"^(nan|na|n/a|null|none|nodata|missing|inf|-+|\*+|m|-)$", re.IGNORECASE)
STAMP = re.compile(
    r"\d{1,4}[-/. ]\w{1,4}[-/. ]\d{1,4}|\d{1,2}:\d{2}|^\d{8}$|^\d{8}T?\d{4,6}Z?$|^\d{10}(\d{3})?$"
)


def family(quantity: str) -> str:
    """The kind of measure that a quantity is."""
    return FAMILY.get(quantity.removesuffix("_max").removesuffix("_min"), "temp")


@dataclass(frozen=True, slots=True)
class Heading:
    """What a heading says: quantity, unit as written, depth and its unit, whether a running total."""

    quantity: str | None
    unit: str | None = None
    depth: float | None = None
    depth_unit: str | None = None
    total: bool = False
    mean: bool = False


BRACKETS = re.compile(r"[\[(]([^\])]*)[\])]")
DEPTH = re.compile(r"(?<![\d.])(-?\d+(?:\.\d+)?)\s*(cm|mm|inches|inch|in|\"|ft|m)?(?![\w.])")


def plain(text: str) -> str:
    """Lower case, camelCase and letters beside digits parted, separators as blanks."""
    text = re.sub(r"([a-z])([A-Z])", r"\1 \2", text)
    text = re.sub(r"[_:;,./|\-]+", " ", text)
    text = re.sub(r"(?<=[A-Za-z])(?=\d)", " ", text)
    text = re.sub(r"(?<=\d)(?=[A-Za-z])", " ", text)
    return " ".join(text.lower().split())


def heading(name: str) -> Heading:
    """What a heading says."""
    inside = [found for part in BRACKETS.findall(name) if (found := unit_of(part))]
    bare = BRACKETS.sub(lambda m: " " if unit_of(m[1]) else f" {m[1]} ", name)
    unit = inside[0] if inside else None
    if unit is None:
        bare, unit = _unit_at_end(bare)
    depth, depth_unit = _depth(name if unit is None else bare)
    words = plain(bare)
    quantity = _quantity(words)
    if quantity is not None and family(quantity) not in ("temp", "vwc", "salinity", "none"):
        depth = depth_unit = None
    if quantity == "air_temp" and depth is not None and re.search(r"soil|ground", words):
        quantity = "soil_temp"
    return Heading(
        quantity,
        unit,
        depth,
        depth_unit,
        bool(KINDS["total"].search(words)),
        bool(KINDS["mean"].search(words)),
    )


def _unit_at_end(name: str) -> tuple[str, str | None]:
    """A unit that closes the heading after a separator (``rain_mm``, ``Air Temp, °F``)."""
    for cut in re.finditer(r"[_,\s/.-]+", name):
        rest = name[cut.end() :]
        unit = unit_of(rest)
        short = rest.strip().islower() and len(rest.strip()) == 1 and cut[0].strip("_ ") == ""
        if unit is not None and cut.start() and not short and unit_of(name[: cut.start()]) is None:
            if re.search(r"\d\s*$", name[: cut.start()]) and unit in ("cm", "inch", "mm"):
                continue  # the unit of a depth
            return name[: cut.start()], unit
    return name, None


def _depth(name: str) -> tuple[float | None, str | None]:
    text = re.sub(r"[_:;,|]+", " ", name)
    text = re.sub(r"(?<=[A-Za-z])(?=\d)", " ", text)
    found = [(abs(float(number)), unit) for number, unit in DEPTH.findall(text)]
    with_unit = [(number, unit) for number, unit in found if unit]
    for number, unit in reversed(with_unit or found):  # the last: sensors are numbered before
        if unit or number:
            return number, {'"': "inch", "in": "inch", "inches": "inch"}.get(unit, unit or None)
    return None, None


def _quantity(words: str) -> str | None:
    if KINDS["no_value"].search(words):
        return None
    bare = " ".join(w for w in words.split() if not re.fullmatch(r"-?\d+(\.\d+)?|cm|inch|in", w))
    for name, pattern in QUANTITIES.items():
        if pattern.search(bare):
            return _extreme(name, bare)
    return None


def _extreme(name: str, words: str) -> str:
    ends = (
        "_max"
        if KINDS["highest"].search(words)
        else "_min"
        if KINDS["lowest"].search(words)
        else ""
    )
    return f"{name}{ends}" if f"{name}{ends}" in BY_NAME else name


def is_data(row: list[str]) -> bool:
    """Whether a row holds values, not headings."""
    filled = [cell.strip() for cell in row if cell.strip()]
    values = [c for c in filled if NUMBER.match(c) or MISSING_WORD.match(c) or STAMP.search(c)]
    numbers = [c for c in filled if NUMBER.match(c) or STAMP.search(c)]
    return bool(numbers) and len(values) >= max(1, len(filled) * 0.5)


def is_units(row: list[str]) -> bool:
    """Whether a row holds units."""
    filled = [cell for cell in row if cell.strip()]
    units = [cell for cell in filled if unit_of(cell.strip("[]() "))]
    others = [
        c for c in filled if c.strip().upper() in ("TS", "RN", "UTC", "TIME", "DATE", "DEG", "-")
    ]
    return len(units) >= 1 and len(units) + len(others) >= len(filled) * 0.6


def is_aggregates(row: list[str]) -> bool:
    """Whether a row says how values were made of samples (Avg, Tot)."""
    filled = [cell for cell in row if cell.strip()]
    return bool(filled) and all(AGGREGATES.match(cell.strip()) for cell in filled)
