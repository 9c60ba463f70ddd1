"""The parts of a heading: its unit, its depth, its words, what tells it from others of its quantity."""

import re

from schemas.unit_words import unit_of

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


def plain(text: str) -> str:
    """Lower case, camelCase and letters beside digits parted, separators as blanks."""
    text = re.sub(r"(?<=[a-z]{2})(?=[A-Z])|(?<=[a-z])(?=[A-Z][a-z])", " ", text)
    text = re.sub(r"(?<=[A-Z]{2})(?=[A-Z][a-z]{2})", " ", text)
    text = re.sub(r"[_:;,./|\-]+", " ", text)
    text = re.sub(r"(?<=[A-Za-z])(?=\d)|(?<=\d)(?=[A-Za-z])", " ", text)
    words = " ".join(text.lower().split())
    return KIND_JOINED.sub(r" \1", words)


def without_brackets(name: str) -> tuple[str, str | None]:
    """The heading without a unit in brackets, and that unit."""
    inside = [
        found
        for part in BRACKETS.findall(name)
        for word in (part, *re.split(r"[,;]", part))
        if (found := unit_of(word))
    ]
    bare = BRACKETS.sub(lambda m: " " if unit_of(m[1]) else f" {m[1]} ", name)
    return bare, inside[0] if inside else None


def without_unit(name: str) -> tuple[str, str | None]:
    """The heading without its unit, and the unit: in brackets, or at its end after a separator."""
    bare, unit = without_brackets(name)
    if unit is not None:
        return bare, unit
    if (kind := KIND_AT_END.search(bare)) is not None:  # Rain_mm_Tot
        before, unit = without_unit(bare[: kind.start()])
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


def depth(bare: str) -> tuple[float | None, str | None, bool]:
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


def words_of(bare: str) -> str:
    """The words of a heading: no numbers, no units of length."""
    skip = re.compile(r"[+-]?\d+(\.\d+)?|cm|mm|inch|inches|in|ft|m")
    words = plain(bare).replace("(", " ").replace(")", " ").split()
    kept = [w for i, w in enumerate(words) if not (skip.fullmatch(w) and _is_length(words, i))]
    return " ".join(kept)


def _is_length(words: list[str], i: int) -> bool:
    """Whether a word is a number, or a unit of length right after one."""
    return words[i][-1].isdigit() or (i > 0 and words[i - 1][-1].isdigit())


def label(bare: str) -> str:
    """What tells the heading from others of its quantity: a last letter or number of its own."""
    found = re.search(r"(?:[_\s.:-]|(?<=[a-z]))([A-H]|\d+(?:[_.]\d+)*)$", bare.strip())
    return found[1] if found else ""
