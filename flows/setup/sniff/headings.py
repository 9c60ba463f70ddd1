"""What a heading says: quantity, unit, depth, kind of value; by published headings, then by its words.

``published_headings.csv`` has headings of open networks and services with what each means, from
their own data dictionaries; ``heading_words.toml`` has the words of all others.
"""

import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import polars as pl

from flows.base import units
from flows.setup.sniff.heading_words import KINDS, OTHER, QUANTITIES
from schemas.quantities import BY_NAME, Instrument
from schemas.unit_words import unit_of

PUBLISHED = Path(__file__).with_name("published_headings.csv")
BRACKETS = re.compile(r"[\[(]([^\])]*)[\])]")
LENGTHS = {
    '"': "inch",
    "in": "inch",
    "inches": "inch",
    "inch": "inch",
    "ft": "foot",
    "feet": "foot",
}
LENGTH = r'(cm|mm|inches|inch|in|"|ft|feet|m)'
DEPTH = re.compile(rf"(?<![\d.])(-?\d+(?:\.\d+)?)\s*{LENGTH}?(?![a-z\d.])", re.IGNORECASE)
LAYER = re.compile(
    rf"(?<![\d.])(\d+(?:\.\d+)?)\s*{LENGTH}?\s*(?:-|–|to|_)\s*(\d+(?:\.\d+)?)\s*{LENGTH}(?![a-z\d])",
    re.IGNORECASE,
)
KIND_AT_END = re.compile(r"[_\s.](avg|ave|mean|max|min|tot|total|sum|smp|std)$", re.IGNORECASE)
KIND_JOINED = re.compile(r"(?:(?<=[a-z]{2})|(?<=(?<!\S)m))(avg|mean|max|min)(?!\S)")  # rhmax
OF_DEPTH = ("cm", "mm", "inch", "m", "foot")
IN_THE_SOIL = {q.name for q in BY_NAME.values() if q.instrument is Instrument.PROBE}


@dataclass(frozen=True, slots=True)
class Heading:
    """What a heading says; ``unit`` and ``depth`` as written.

    ``weak``: too little says what it is. ``layer``: a depth from and to, ``depth`` its middle.
    ``index``: its numbers say which sensor, not how deep. ``label``: what tells it from others of
    its quantity (``A`` in ``Moist A``). ``other``: what it is, if it is no quantity of ours.
    ``usual``: the unit of the published record that has this heading.
    """

    quantity: str | None
    unit: str | None = None
    depth: float | None = None
    depth_unit: str | None = None
    total: bool = False
    mean: bool = False
    sample: bool = False
    weak: bool = False
    layer: bool = False
    index: bool = False
    label: str = ""
    other: str = ""
    source: str = ""
    usual: str | None = None


def plain(text: str) -> str:
    """Lower case, camelCase and letters beside digits parted, separators as blanks."""
    text = re.sub(r"(?<=[a-z]{2})(?=[A-Z])|(?<=[a-z])(?=[A-Z][a-z])", " ", text)
    text = re.sub(r"(?<=[A-Z]{2})(?=[A-Z][a-z]{2})", " ", text)
    text = re.sub(r"[_:;,./|\-]+", " ", text)
    text = re.sub(r"(?<=[A-Za-z])(?=\d)|(?<=\d)(?=[A-Za-z])", " ", text)
    words = " ".join(text.lower().split())
    return KIND_JOINED.sub(r" \1", words)


@lru_cache(8192)
def heading(name: str, below: str = "") -> Heading:
    """What a heading says, with the unit that stands ``below`` it if there is a row of units."""
    text = unicodedata.normalize("NFKC", name.replace("º", "°")).strip()
    stated = unit_of(below.strip("[]() "))
    whole, unit = _without_brackets(text)
    if (known := _published(whole)) is not None:  # P_F has no unit
        return _as_published(known, whole, stated or unit)
    bare, unit = _without_unit(text)
    unit = stated or unit
    if (known := _published(bare)) is not None:
        return _as_published(known, bare, unit)
    depth, depth_unit, layer = _depth(bare)
    words = _words(bare)
    quantity, other = _quantity(words, unit)
    if quantity in ("air_temp", "air_temp_max", "air_temp_min"):
        deep = depth_unit in ("cm", "inch") and not KINDS["above_ground"].search(words)
        if KINDS["below_ground"].search(words) or deep:
            quantity = "soil_temp"
    if quantity not in IN_THE_SOIL:
        depth, depth_unit, layer = None, None, False
    return Heading(
        quantity,
        unit,
        depth,
        depth_unit,
        *_kinds(words),
        weak=_is_weak(quantity, words, unit),
        layer=layer,
        label=_label(bare),
        other=other,
    )


def _is_weak(quantity: str | None, words: str, unit: str | None) -> bool:
    """Whether one letter alone says what it is (``T avg``), or it is an extreme that none of ours is."""
    if quantity is None:
        return False
    extreme = any(KINDS[kind].search(words) for kind in ("highest", "lowest"))
    if extreme and not quantity.endswith(("_max", "_min", "gust", "battery")):
        return True
    if unit is not None:
        return False
    kinds = [KINDS[kind] for kind in ("highest", "lowest", "mean", "total", "sample")]
    telling = [w for w in words.split() if not any(kind.fullmatch(w) for kind in kinds)]
    return all(len(word) == 1 for word in telling)


def _kinds(words: str) -> tuple[bool, bool, bool]:
    """Whether it speaks of a total, a mean, a value of a moment."""
    total, mean, sample = (bool(KINDS[kind].search(words)) for kind in ("total", "mean", "sample"))
    return total, mean, sample


# --------------------------------------------------------------------- published headings


@dataclass(frozen=True, slots=True)
class Published:
    """A heading of a published record: what it means there, and what its number is."""

    quantity: str | None
    unit: str | None
    number: str
    source: str


def _key(text: str, number: str = "") -> str:
    """What two spellings of one heading have in common; numbers as ``number`` if it is given."""
    key = " ".join(re.sub(r"[^a-z0-9%]+", " ", text.lower()).split())
    return re.sub(r"\d+", number, key) if number else key


def read_published(path: Path = PUBLISHED) -> Iterator[tuple[str, Published]]:
    """The headings of a table of published headings, with what each means."""
    rows = pl.read_csv(path, infer_schema=False)
    for name, quantity, unit, number, source in rows.iter_rows():
        yield name, Published(quantity, unit, number or "", source)


def _by_key() -> dict[str, Published]:
    """Published headings by key, and by key with any number if the number says where; a heading
    that two records use for different things is left out."""
    found: dict[str, list[Published]] = {}
    for name, row in read_published():
        bare = _without_brackets(name)[0]
        for key in {_key(bare), *([_key(bare, "#")] if row.number else [])}:
            found.setdefault(key, []).append(row)
    return {key: rows[0] for key, rows in found.items() if len({row.quantity for row in rows}) == 1}


def _published(bare: str) -> Published | None:
    return KNOWN.get(_key(bare)) or KNOWN.get(_key(bare, "#"))


def is_published(name: str) -> bool:
    """Return whether a heading is read by the table of published headings."""
    return any(_published(way(name)[0]) for way in (_without_brackets, _without_unit))


def _as_published(known: Published, bare: str, unit: str | None) -> Heading:
    words = _words(bare)
    if known.quantity is None or not _measures(unit, known.quantity):
        return Heading(None, unit, other="something else", source=known.source)
    depth, depth_unit, layer = _depth(bare)
    index = known.number == "index"
    if index or known.quantity not in IN_THE_SOIL:
        depth, depth_unit, layer = None, None, False
    elif depth is not None and known.number in ("cm", "inch"):
        depth_unit = depth_unit or known.number
    return Heading(
        known.quantity,
        unit,
        depth,
        depth_unit,
        *_kinds(words),
        layer=layer,
        index=index,
        label=_label(bare),
        source=known.source,
        usual=known.unit,
    )


# --------------------------------------------------------------------- unit and depth


def _without_brackets(name: str) -> tuple[str, str | None]:
    """The heading without a unit in brackets, and that unit."""
    inside = [
        found
        for part in BRACKETS.findall(name)
        for word in (part, *re.split(r"[,;]", part))
        if (found := unit_of(word))
    ]
    bare = BRACKETS.sub(lambda m: " " if unit_of(m[1]) else f" {m[1]} ", name)
    return bare, inside[0] if inside else None


def _without_unit(name: str) -> tuple[str, str | None]:
    """The heading without its unit, and the unit: in brackets, or at its end after a separator."""
    bare, unit = _without_brackets(name)
    if unit is not None:
        return bare, unit
    if (kind := KIND_AT_END.search(bare)) is not None:  # Rain_mm_Tot
        before, unit = _without_unit(bare[: kind.start()])
        return (before + kind[0], unit) if unit is not None else (bare, None)
    for cut in re.finditer(r"[_,\s/.-]+", bare):
        rest = bare[cut.end() :]
        unit = unit_of(rest)
        one = rest.strip()
        short = one.islower() and len(one) == 1 and cut[0].strip("_ ") == ""
        before = bare[: cut.start()]
        if unit is None or not before or short or unit_of(before) is not None:
            continue
        if re.search(r"\d\s*$", before) and unit in OF_DEPTH:
            continue  # the unit of a depth
        return before, unit
    return bare, None


def _depth(bare: str) -> tuple[float | None, str | None, bool]:
    """Depth and its unit as written, and whether it is the middle of a layer."""
    text = re.sub(r"[_:;,|]+|(?<!\d)\.|\.(?!\d)", " ", bare)
    text = re.sub(r"(?<=[A-Za-z])(?=\d)", " ", text)
    layer = LAYER.search(re.sub(r"(?<=\d)_(?=\d)|_to_", "-", bare).replace("_", " "))
    if layer and (float(layer[1]) < float(layer[3])):
        unit = layer[4].lower()
        return (float(layer[1]) + float(layer[3])) / 2, LENGTHS.get(unit, unit), True
    found = [(abs(float(number)), unit.lower()) for number, unit in DEPTH.findall(text)]
    with_unit = [(number, unit) for number, unit in found if unit]
    for number, unit in reversed(with_unit or found):  # the last: sensors are numbered before
        return number, LENGTHS.get(unit, unit or None), False
    return None, None, False


def _words(bare: str) -> str:
    """The words of a heading: no numbers, no units of length."""
    skip = re.compile(r"[+-]?\d+(\.\d+)?|cm|mm|inch|inches|in|ft|m")
    words = plain(bare).replace("(", " ").replace(")", " ").split()
    kept = [w for i, w in enumerate(words) if not (skip.fullmatch(w) and _is_length(words, i))]
    return " ".join(kept)


def _is_length(words: list[str], i: int) -> bool:
    """Whether a word is a number, or a unit of length right after one."""
    return words[i][-1].isdigit() or (i > 0 and words[i - 1][-1].isdigit())


def _label(bare: str) -> str:
    """What tells the heading from others of its quantity: a last letter or number of its own."""
    found = re.search(r"(?:[_\s.:-]|(?<=[a-z]))([A-H]|\d+(?:[_.]\d+)*)$", bare.strip())
    return found[1] if found else ""


# --------------------------------------------------------------------- quantity


def _quantity(words: str, unit: str | None) -> tuple[str | None, str]:
    """The first quantity whose words are there and that the unit can measure; else what it is."""
    if not words:
        return None, ""
    known = next((name for name, pattern in OTHER.items() if pattern.search(words)), None)
    if known is not None:
        return None, known.replace("_", " ")
    for name, pattern in QUANTITIES.items():
        if pattern.search(words) and name in BY_NAME and _measures(unit, name):
            return _extreme(name, words), ""
        if pattern.search(words) and name not in BY_NAME:
            return None, name.replace("_", " ")
    return None, ""


@lru_cache(4096)
def _measures(unit: str | None, quantity: str) -> bool:
    """Whether a quantity can be written in a unit."""
    if unit is None:
        return True
    targets = [BY_NAME[quantity].unit] if quantity in BY_NAME else []
    if quantity.startswith("solar_"):
        targets = [BY_NAME[q].unit for q in ("solar_radiation", "solar_energy")]
    for target in targets:
        try:
            units.line(unit, target)
        except ValueError:
            continue
        return True
    return not targets


def _extreme(name: str, words: str) -> str:
    ends = {"_max": KINDS["highest"], "_min": KINDS["lowest"]}
    end = next((end for end, pattern in ends.items() if pattern.search(words)), "")
    if name == "wind_speed" and end == "_max":
        return "wind_gust"
    return f"{name}{end}" if f"{name}{end}" in BY_NAME else name


KNOWN = _by_key()
