"""What is due, ahead and done in each field's year, as of a day."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import zip_longest
from typing import Literal

from flows.pages.published_tables import Tables
from flows.pages.year.place import Made, Place
from flows.pages.year.rules import RULES, Rule, When

State = Literal["due", "ahead", "done", "missed"]
# Done and missed items are shown this long after their window has ended.
REMEMBERED = timedelta(days=60)


@dataclass(frozen=True, slots=True)
class Item:
    """One rule in one season of one field: its window and how it stands on the day."""

    rule: Rule
    place: Place
    first: date
    by: date
    last: date
    state: State

    @property
    def field(self) -> str:
        """Return the field; a task of each comparison has the comparison's name."""
        return self.place.field if self.rule.by_comparison else self.place.whole_field

    @property
    def late(self) -> bool:
        """Whether it should have been done by now."""
        return self.state == "due" and self.by < self.place.day

    @property
    def ripe(self) -> bool:
        """Whether the digest may ask for it today."""
        return self.state == "due" and self.rule.in_digest and self.rule.now(self.place)


def items(tables: Tables, day: date, made: Made | None = None) -> list[Item]:
    """Return every item of every field that is near the day, sorted by when it should be done.

    ``made``: what the farm folder holds; without it, what only the folder knows is not asked for.
    """
    found = _once(item for place in _places(tables, day, made) for item in _of(place))
    order = [rule.what for rule in RULES]
    return sorted(found, key=lambda i: (i.by, order.index(i.rule.what), i.field))


def _once(found: Iterable[Item]) -> list[Item]:
    """Return items without those that a field with several comparisons has more than once.

    Of a task of the whole field the least done stands: it is done where it is done for all strips.
    """
    open_first: tuple[State, ...] = ("due", "missed", "ahead", "done")
    kept: dict[tuple[str, str, int], Item] = {}
    for item in sorted(found, key=lambda one: open_first.index(one.state)):
        kept.setdefault((item.rule.what, item.field, item.place.season), item)
    return list(kept.values())


def _places(tables: Tables, day: date, made: Made | None) -> Iterator[Place]:
    for field in tables.fields():
        rows = tables("season_ahead", field=field["field"]).sort("season").to_dicts()
        for row, after in zip_longest(rows, rows[1:]):
            place = Place(tables, day, row, after, made)
            yield place
            if place.seeded is None:  # what comes after the next season is too far ahead
                break


def _of(place: Place) -> Iterator[Item]:
    for rule in RULES:
        window = _window(place, rule)
        if window is None or not rule.asked(place):
            continue
        first, by, last = window
        if last + REMEMBERED < place.day:
            continue
        yield Item(rule, place, first, by, last, _state(place, rule, first, last))


def _window(place: Place, rule: Rule) -> tuple[date, date, date] | None:
    """Return when it is first due, by when, and when it is over; None if a day is not known."""
    first, by, last = (_earliest(place, days) for days in ((rule.first,), rule.by, rule.last))
    if first is None or by is None or last is None:
        return None
    return first, max(by, first), max(last, first)


def _earliest(place: Place, whens: tuple[When, ...]) -> date | None:
    """Return the earliest of some days; None if one of them is not known."""
    days = [_on(place, when) for when in whens]
    known = [day for day in days if day is not None]
    return min(known) if len(known) == len(days) else None


def _on(place: Place, when: When) -> date | None:
    anchor = place.anchor(when[0])
    return anchor + timedelta(days=when[1]) if anchor is not None else None


def _state(place: Place, rule: Rule, first: date, last: date) -> State:
    if place.day < first and not (rule.early and rule.done(place)):
        return "ahead"
    if rule.done(place):
        return "done"
    return "due" if place.day <= last else "missed"
