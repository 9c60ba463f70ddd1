"""The known words that a misspelled one may stand for."""

from collections.abc import Iterable
from difflib import get_close_matches


def nearest(word: str, known: Iterable[str], most: int = 1, likeness: float = 0.5) -> list[str]:
    """Return at most ``most`` of the ``known`` words, the most alike first, whatever their case.

    ``likeness`` is the least ratio of letters in common (0 to 1, Ratcliff and Obershelp 1988).
    """
    by_lower = {one.lower(): one for one in known}
    return [by_lower[lower] for lower in get_close_matches(word.lower(), by_lower, most, likeness)]
