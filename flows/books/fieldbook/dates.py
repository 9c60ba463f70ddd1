"""Dates as people write them. Names of months are English."""

import re
from collections.abc import Iterable
from datetime import date
from typing import Literal

Order = Literal["day first", "month first"]

_MONTHS = {
    name: number
    for number, name in enumerate(
        ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"),
        start=1,
    )
}
_CLOCK = re.compile(r"[T ]\s*\d{1,2}:\d{2}(:\d{2}(\.\d+)?)?\s*([ap]\.?m\.?|z)?$", re.IGNORECASE)
_ISO = re.compile(r"^(\d{4})[-/. ](\d{1,2})[-/. ](\d{1,2})$")
_RUN = re.compile(r"^(\d{4})(\d{2})(\d{2})$")
_PAIR = re.compile(r"^(\d{1,2})([-/. ])(\d{1,2})\2(\d{4}|\d{2})$")
_DAY_WORD = re.compile(r"^(\d{1,2})(?:st|nd|rd|th)?[-/. ]*([a-z]{3,9})\.?,?[-/. ]*(\d{4}|\d{2})$")
_WORD_DAY = re.compile(r"^([a-z]{3,9})\.?[-/. ]*(\d{1,2})(?:st|nd|rd|th)?,?[-/. ]+(\d{4}|\d{2})$")
_WEEKDAY = re.compile(r"^(mon|tue|wed|thu|fri|sat|sun)[a-z]*\.?,?\s+", re.IGNORECASE)


def plain(text: str) -> str:
    """Return the text without weekday and clock."""
    return _WEEKDAY.sub("", _CLOCK.sub("", text.strip())).strip().lower()


def orders(texts: Iterable[str]) -> set[Order]:
    """Return the orders that a column's dates betray: a number above 12 cannot be a month."""
    found: set[Order] = set()
    for text in texts:
        match = _PAIR.match(plain(text))
        if match is None or match[2] == ".":
            continue
        first, second = int(match[1]), int(match[3])
        if first > 12 >= second:
            found.add("day first")
        if second > 12 >= first:
            found.add("month first")
    return found


def parse(text: str, order: Order | None) -> date | Literal["ambiguous"] | None:
    """Return the date; 'ambiguous' if day and month could be exchanged and ``order`` is None.

    With full stops the day stands first (12.05.2021), as is usual; years of two digits are 1969
    to 2068 (POSIX).
    """
    text = plain(text)
    if match := _ISO.match(text) or _RUN.match(text):
        return _date(int(match[1]), int(match[2]), int(match[3]))
    if match := _DAY_WORD.match(text):
        return _date(_year(match[3]), _MONTHS.get(match[2][:3], 0), int(match[1]))
    if match := _WORD_DAY.match(text):
        return _date(_year(match[3]), _MONTHS.get(match[1][:3], 0), int(match[2]))
    match = _PAIR.match(text)
    return _of_pair(match, order) if match else None


def _of_pair(match: re.Match[str], order: Order | None) -> date | Literal["ambiguous"] | None:
    first, second, year = int(match[1]), int(match[3]), _year(match[4])
    if match[2] == "." or first == second or first > 12:
        order = "day first"
    elif second > 12:
        order = "month first"
    if order is None:
        return "ambiguous"
    return _date(year, second, first) if order == "day first" else _date(year, first, second)


def _year(text: str) -> int:
    year = int(text)
    return year if len(text) == 4 else year + (1900 if year > 68 else 2000)


def _date(year: int, month: int, day: int) -> date | None:
    try:
        found = date(year, month, day)
    except ValueError:
        return None
    return found if 1900 <= year <= 2200 else None


_HOUR = re.compile(r"^(\d{1,2})(?:[:.h](\d{2})(?::\d{2})?)?\s*(?:h|(am|pm))?$")


def hour(text: str) -> float | None:
    """Return the hour of the day of ``7``, ``7:30``, ``07:30:00``, ``7 am`` or ``7:30 pm``; else None."""
    found = _HOUR.match(text.strip().lower().replace(".m.", "m").replace("a.m", "am"))
    if found is None or int(found[2] or 0) > 59:
        return None
    value = int(found[1]) + int(found[2] or 0) / 60
    if found[3]:
        if not 1 <= value < 13:
            return None
        value = value % 12 + (12 if found[3] == "pm" else 0)
    return value
