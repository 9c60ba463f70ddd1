"""Flags of networks: the usual meanings of their letters, and letters that stand behind numbers."""

import re
from collections import Counter
from collections.abc import Mapping

from flows.setup.sniff.heading_words import MISSING_WORD
from schemas.flags import PARTS
from schemas.quantities import AMOUNTS

# Letters as daily records of weather services have them (trace, missing, accumulated, estimated), and
# those of the International Soil Moisture Network (Dorigo et al. 2013, doi:10.2136/vzj2012.0097: G good,
# M missing, C out of range, D01 to D03 frost, D04 on spikes, breaks and plateaus); from memory.
USUAL = {"T": "trace", "M": "missing", "A": "accumulated", "E": "suspect", "G": "good"}
USUAL |= dict.fromkeys(("D01", "D02", "D03"), "frozen")
USUAL |= dict.fromkeys([*(f"D{i:02d}" for i in range(4, 11)), "C01", "C02", "C03"], "suspect")
GOOD = re.compile(r"g|good|ok|okay|pass(ed)?|valid|0", re.IGNORECASE)
BEHIND = re.compile(r"[-+]?[\d.,]*\d[.,]?\s*([A-Za-z*#?$]{1,3})")
MOSTLY = 0.5  # a flag of more values than this is taken for good; letters behind so many for a unit


def meanings(words: Mapping[str, int], quantity: str, values: int) -> tuple[dict[str, str], bool]:
    """Return flag → meaning as far as can be guessed, and whether all of them are usual ones.

    ``words``: flags and how often each stands beside one of the ``values``.
    """
    found: dict[str, str] = {}
    usual = True
    for word, often in words.items():
        for part in filter(None, PARTS.split(word)):
            known = USUAL.get(part)
            if known == "accumulated" and quantity != "rain":
                known = None
            if known == "trace" and quantity not in AMOUNTS:
                known = None
            if known is None and (GOOD.fullmatch(part) or often > MOSTLY * values):
                known, usual = "good", usual and bool(GOOD.fullmatch(part))
            usual = usual and known is not None
            found[part] = known or "suspect"
    return dict(sorted(found.items())), usual


def with_usual(meanings: dict[str, str], quantity: str) -> dict[str, str]:
    """Return flags with the other usual letters of daily records, where they have no others.

    Those may come in another year of the file.
    """
    daily = {"A": "accumulated"} if quantity == "rain" else {}
    daily |= {"E": "suspect", "M": "missing"}
    if quantity in AMOUNTS:
        daily["T"] = "trace"
    return dict(sorted((daily | meanings).items())) if meanings.keys() <= daily.keys() else meanings


def behind(odd: Counter[str], quantity: str | None, numbers: int) -> Counter[str]:
    """Return the letters behind the numbers of a column, and how often.

    ``odd``: its cells that are no numbers; ``numbers``: how many are. A T alone among amounts is a
    trace, not a missing code.
    """
    letters: Counter[str] = Counter()
    for word, often in odd.items():
        if found := BEHIND.fullmatch(word):
            letters[found[1]] += often
        elif quantity in AMOUNTS and word == "T":
            letters["T"] += often
    return Counter() if letters.total() > MOSTLY * (numbers + letters.total()) else letters


def is_flagged(word: str, letters: Counter[str]) -> bool:
    """Return whether a cell is a number with letters behind it, or such a letter alone."""
    found = BEHIND.fullmatch(word)
    return (found is not None and found[1] in letters) or (
        word in letters and not MISSING_WORD.match(word)
    )


def in_words(words: Mapping[str, int]) -> str:
    """Return flags with how often each stands there."""
    most = sorted(words.items(), key=lambda entry: -entry[1])
    shown = ", ".join(
        f"{word} ({often} {'time' if often == 1 else 'times'})" for word, often in most[:6]
    )
    return shown + (", …" if len(most) > 6 else "")
