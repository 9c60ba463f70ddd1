"""One thing to do and what it is about: a cause, however many readings, sensors or stations it touches."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from flows.pages.cells import Frame, Line, Part, Phrase, joined

# (kind, instrument, part, what): the same from day to day, whatever the sentence says.
Place = tuple[str, str, str, str]

_IN_WORDS = (
    *("no", "one", "two", "three", "four", "five", "six", "seven"),
    *("eight", "nine", "ten", "eleven", "twelve"),
)
MOST_NAMED = 6


@dataclass(frozen=True, slots=True)
class Cause:
    """One thing to do: its sentence, a short name (``at`` each field), its noun and count, its parts."""

    line: Line
    short: Phrase
    noun: str
    count: int = 1
    at: Mapping[Any, Phrase] = field(default_factory=dict)
    places: frozenset[Place] = frozenset()


def in_words(number: int) -> Part:
    """Return a count as a word, from thirteen on as a number of the page itself."""
    return _IN_WORDS[number] if number < len(_IN_WORDS) else Frame(str(number))


def counted(number: int, noun: str) -> Phrase:
    """Return a count with its noun, in the plural but for one."""
    return (in_words(number), f" {noun}" if number == 1 else f" {noun}s")


def named(who: Iterable[Phrase]) -> Phrase:
    """Return names as a list; of many the first and how many others there are."""
    every = list(who)
    if len(every) <= MOST_NAMED:
        return joined(every)
    return joined([*every[:MOST_NAMED], counted(len(every) - MOST_NAMED, "other")])


def verdict(causes: list[Cause], seasonal: int = 0) -> Phrase:
    """Return what there is to do in a few words: 'One sensor needs you.'

    ``seasonal``: tasks of the trial's year that are due.
    """
    due = begun((*counted(seasonal, "seasonal task"), " is due." if seasonal == 1 else " are due."))
    if seasonal:
        return (*verdict(causes), " ", *due) if causes else due
    if not causes:
        return ("Nothing to do.",)
    if len(causes) > 1:
        return begun((*counted(len(causes), "thing"), " need you."))
    one = causes[0]
    return begun((*counted(one.count, one.noun), " needs you." if one.count == 1 else " need you."))


def begun(phrase: Phrase) -> Phrase:
    """Return a sentence with its first word in capitals."""
    first = phrase[0]
    return (first.capitalize() if isinstance(first, str) else first, *phrase[1:])
