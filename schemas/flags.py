"""What a letter or code beside a value means: the words of a layout, and which of them wins."""

import re
from collections.abc import Mapping
from typing import Literal, get_args

Meaning = Literal["good", "missing", "trace", "accumulated", "suspect", "frozen"]
MEANINGS: tuple[str, ...] = get_args(Meaning)

# A value that has several flags is what the first of these says.
WORST_FIRST = ("missing", "suspect", "frozen", "accumulated", "trace", "good")
WITHHELD = ("suspect", "frozen")  # the value is kept in flagged_reading, not among the readings

ANY = "*"  # in a layout: every flag that it does not name
PARTS = re.compile(r"[,;/|\s]+")


def meaning_of(written: str | None, flags: Mapping[str, str]) -> str | None:
    """Return what a flag as written means, None if the layout does not say.

    ``flags``: flag → meaning. No flag is good unless ``flags`` has an empty one. What is no flag as
    a whole may be several: parted by blanks or commas (``D01,D03``), or a letter each (``TE``).
    """
    text = (written or "").strip()
    if not text:
        return flags.get("", "good")
    if text in flags:
        return flags[text]
    if text.endswith(".0") and text[:-2] in flags:  # a spreadsheet's whole number
        return flags[text[:-2]]
    for parts in (PARTS.split(text), list(text)):
        found = {flags.get(part) for part in parts if part}
        if None not in found:
            return next(meaning for meaning in WORST_FIRST if meaning in found)
    return flags.get(ANY)
