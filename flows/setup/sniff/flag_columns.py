"""Columns of flags beside columns of values: which is of which, and what they may mean."""

import re
from collections import Counter
from collections.abc import Sequence

import polars as pl

from flows.setup.sniff import flag_words
from flows.setup.sniff.columns import Column
from flows.setup.sniff.finding import Grid, Sure
from flows.setup.sniff.heading_parts import plain

FLAG = re.compile(r"(?<!\S)(flags?|flg|fl|qc|qa|qaqc|qf|quality|qualifier|q)(?!\S)")
DAYS = re.compile(r"(?<!\S)(period|days)(?!\S)")  # over which rain was measured
MOST_FLAGS = 40
LONGEST = 12  # characters of a flag


def find(grid: Grid, columns: Sequence[Column], taken: tuple[int, ...]) -> list[str]:
    """Give value columns their columns of flags; returns the names of those that were used."""
    spoken_for = {*taken, *(column.place for column in columns)}
    flags = {i: w for i in range(len(grid.names)) if (w := _flags(grid, i, spoken_for)) is not None}
    used: list[str] = []
    for i, words in flags.items():
        stem, own = _stem(grid.names[i]), _owner(grid, i, columns)
        if not stem and (own is None or (len(flags) == 1 and len(columns) > 1)):
            if words:
                used.append(grid.names[i])
                _of_rows(grid, i, words, columns)
        elif own is not None:
            used.append(grid.names[i])
            quantity = str(own.heading.quantity)
            meanings, usual = flag_words.meanings(words, quantity, grid.rows.height)
            own.rule |= {"flag": grid.names[i], "flags": flag_words.with_usual(meanings, quantity)}
            _note(grid, f"columns.{own.name}.flags", i, words, usual=usual)
    return used


def of_rows(grid: Grid, taken: tuple[int, ...]) -> dict[str, object]:
    """Return the layout keys of the flags of a long file of named series."""
    flags = {i: words for i in range(len(grid.names)) if (words := _flags(grid, i, {*taken}))}
    for i, words in list(flags.items())[:1]:
        return _of_rows(grid, i, words, ())
    return {}


def _of_rows(
    grid: Grid, i: int, words: Counter[str], columns: Sequence[Column]
) -> dict[str, object]:
    only_rain = bool(columns) and all(c.heading.quantity == "rain" for c in columns)
    meanings, usual = flag_words.meanings(words, "rain" if only_rain else "", grid.rows.height)
    keys: dict[str, object] = {"flag_column": grid.names[i], "flags": meanings}
    grid.layout |= keys
    _note(grid, "flags", i, words, usual=usual)
    return keys


def _note(grid: Grid, item: str, i: int, words: Counter[str], *, usual: bool) -> None:
    held = flag_words.in_words(words) if words else "none here; the usual ones are named"
    why = f"'{grid.names[i]}' holds {held}"
    why += (
        "" if usual else ": what do they mean (good, missing, trace, accumulated, suspect, frozen)?"
    )
    grid.note(item, ", ".join(words), Sure.LIKELY if usual else Sure.UNSURE, why)


def _flags(grid: Grid, i: int, spoken_for: set[int]) -> Counter[str] | None:
    """Return the flags of a column and how often each is there; None if it is no column of flags."""
    if i in spoken_for or not FLAG.search(plain(grid.names[i])):
        return None
    words = Counter(word for word in grid.rows[f"c{i}"].to_list() if word)
    long = any(len(word) > LONGEST or re.search(r"\d[.,]\d*[1-9]", word) for word in words)
    return None if long or len(words) > MOST_FLAGS else words


def _stem(name: str) -> str:
    """Return a heading of flags without the word for flags: the name of what they are of."""
    return " ".join(FLAG.sub(" ", plain(name)).split())


def _owner(grid: Grid, place: int, columns: Sequence[Column]) -> Column | None:
    """Return the column that flags are of: the one of their name, else the one right before them.

    Flags of a column that is left out are of none.
    """
    if stem := _stem(grid.names[place]):
        named = [
            i
            for i, name in enumerate(grid.names)
            if i != place and (plain(name) == stem or plain(name).startswith(stem + " "))
        ]
        alike = [c for c in columns if c.place in named]
        if named:
            return alike[0] if len(alike) == 1 else None
    if len(columns) == 1:
        return columns[0]
    return next((c for c in columns if c.place == place - 1), None)


def rain_days(grid: Grid, columns: Sequence[Column], taken: tuple[int, ...]) -> list[str]:
    """Name the column that says of how many days the rain of its row is; returns its name, if any."""
    if not any(column.heading.quantity == "rain" for column in columns):
        return []
    spoken_for = {*taken, *(column.place for column in columns)}
    for i, name in enumerate(grid.names):
        if i in spoken_for or not DAYS.search(plain(name)):
            continue
        days = grid.rows[f"c{i}"].cast(pl.Float64, strict=False).drop_nulls()
        whole = days.len() > 0 and bool((days.is_between(1, 31) & (days == days.round())).all())
        if whole and (days == 1).mean() > flag_words.MOSTLY:  # type: ignore[operator]
            grid.layout["rain_days_column"] = name
            several = int((days > 1).sum())
            why = f"days that the rain of the row is the total of, as its heading says: {several} times several"
            grid.note("rain_days_column", name, Sure.LIKELY, why)
            return [name]
    return []
