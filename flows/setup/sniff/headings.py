"""What a heading says: quantity, unit, depth, kind of value; by published headings, then by its words.

``published_headings.csv`` has headings of open networks and services with what each means. Its
column ``checked`` says how that is known: ``definition`` (name, meaning and unit were read in a
public copy of the record's own description, named behind it), ``name`` (the heading was seen so;
meaning and unit, if it does not name one, are from memory) or ``from memory``.
``heading_words.toml`` has the words of all other headings.
"""

import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import polars as pl

from flows.base import units
from flows.setup.sniff import heading_parts
from flows.setup.sniff.heading_words import KINDS, OTHER, QUANTITIES
from schemas.quantities import BY_NAME, Instrument
from schemas.unit_words import unit_of

PUBLISHED = Path(__file__).with_name("published_headings.csv")
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


@lru_cache(8192)
def heading(name: str, below: str = "") -> Heading:
    """What a heading says, with the unit that stands ``below`` it if there is a row of units."""
    text = unicodedata.normalize("NFKC", name.replace("º", "°")).strip()
    stated = unit_of(below.strip("[]() "))
    whole, unit = heading_parts.without_brackets(text)
    if (known := _published(whole)) is not None:  # P_F has no unit
        return _as_published(known, whole, stated or unit)
    bare, unit = heading_parts.without_unit(text)
    unit = stated or unit
    if (known := _published(bare)) is not None:
        return _as_published(known, bare, unit)
    depth, depth_unit, layer = heading_parts.depth(bare)
    words = heading_parts.words_of(bare)
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
        label=heading_parts.label(bare),
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
    return bool(telling) and all(len(word) == 1 for word in telling)


def _kinds(words: str) -> tuple[bool, bool, bool]:
    """Whether it speaks of a total, a mean, a value of a moment."""
    total, mean, sample = (bool(KINDS[kind].search(words)) for kind in ("total", "mean", "sample"))
    return total, mean, sample


# --------------------------------------------------------------------- published headings


@dataclass(frozen=True, slots=True)
class Published:
    """A heading of a published record: what it means there, what its number is, how that is known."""

    quantity: str | None
    unit: str | None
    number: str
    source: str
    checked: str


def _key(text: str, number: str = "") -> str:
    """What two spellings of one heading have in common; numbers as ``number`` if it is given."""
    key = " ".join(re.sub(r"[^a-z0-9%]+", " ", text.lower()).split())
    return re.sub(r"\d+", number, key) if number else key


def read_published(path: Path = PUBLISHED) -> Iterator[tuple[str, Published]]:
    """The headings of a table of published headings, with what each means."""
    rows = pl.read_csv(path, infer_schema=False)
    for name, quantity, unit, number, source, checked in rows.iter_rows():
        yield name, Published(quantity, unit, number or "", source, checked)


def _by_key() -> dict[str, Published]:
    """Published headings by key, and by key with any number if the number says where; a heading
    that two records use for different things is left out."""
    found: dict[str, list[Published]] = {}
    for name, row in read_published():
        bare = heading_parts.without_brackets(name)[0]
        for key in {_key(bare), *([_key(bare, "#")] if row.number else [])}:
            found.setdefault(key, []).append(row)
    return {key: rows[0] for key, rows in found.items() if len({row.quantity for row in rows}) == 1}


def _published(bare: str) -> Published | None:
    return KNOWN.get(_key(bare)) or KNOWN.get(_key(bare, "#"))


def is_published(name: str) -> bool:
    """Return whether a heading is read by the table of published headings."""
    return any(
        _published(way(name)[0])
        for way in (heading_parts.without_brackets, heading_parts.without_unit)
    )


def _as_published(known: Published, bare: str, unit: str | None) -> Heading:
    words = heading_parts.words_of(bare)
    if known.quantity is None or known.quantity not in BY_NAME:
        return Heading(None, unit, other=known.quantity or "not read", source=known.source)
    if not _measures(unit, known.quantity):
        return Heading(None, unit, other=f"in {unit}, which {known.quantity} cannot be")
    depth, depth_unit, layer = heading_parts.depth(bare)
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
        label=heading_parts.label(bare),
        source=known.source,
        usual=known.unit,
    )


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
