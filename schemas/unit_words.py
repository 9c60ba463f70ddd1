"""How files and services write units (``unit_words.toml``), and which unit a word stands for."""

import re
import tomllib
import unicodedata
from functools import lru_cache
from pathlib import Path

UNITS = {
    unit: re.compile(pattern)
    for unit, pattern in tomllib.loads(
        Path(__file__).with_suffix(".toml").read_text(encoding="utf-8")
    ).items()
}


@lru_cache(4096)
def unit_of(text: str) -> str | None:
    """Return the unit that a cell or a bracket names; None if it names none that is known."""
    plain = unicodedata.normalize("NFKC", text.replace("º", "°")).replace("−", "-")
    text = " ".join(plain.replace("**", "^").lower().split()).strip(". ")
    if not text:
        return None
    return next((unit for unit, pattern in UNITS.items() if pattern.fullmatch(text)), None)
