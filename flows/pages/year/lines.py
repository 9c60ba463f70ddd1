"""The year's items in words: one line a task with the fields that it is due on, and what to know for it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import date

from flows.pages.cells import WHOLE, Frame, Line, Phrase, cell, joined, say, say_row, written
from flows.pages.published_tables import Tables
from flows.pages.sections import harvest, worth
from flows.pages.week import Week
from flows.pages.year import checks
from flows.pages.year.items import Item, items
from flows.pages.year.place import Made, Place
from schemas.cautions import WORKING

_STATES = {
    "drier than friable": "drier than friable, it breaks into clods and pulls hard",
    "friable": "friable, it crumbles",
    "wetter than friable": "wetter than friable, it smears and packs",
}


@dataclass(frozen=True, slots=True)
class Group:
    """The items of one rule that stand alike, one a field."""

    items: tuple[Item, ...]

    @property
    def by(self) -> date:
        """Return the first day by which one of them should be done."""
        return min(item.by for item in self.items)

    @property
    def phrase(self) -> Phrase:
        """Return what to do and where."""
        fields = [_with_outlook(item) for item in self.items]
        return say("{do} {fields}", do=self.items[0].rule.do, fields=joined(fields))

    @property
    def line(self) -> Line:
        """Return what to do, where, and by when."""
        late = all(item.late for item in self.items)
        when = "was to be done by {by}" if late else "by {by}"
        by = Frame(written(self.by))
        return Line(say("{what} (" + when + ").", what=self.phrase, by=by))


def grouped(items: Iterable[Item]) -> list[Group]:
    """Return items of one rule together, in the order of their first day."""
    by: dict[str, list[Item]] = {}
    for item in items:
        by.setdefault(item.rule.what, []).append(item)
    return sorted((Group(tuple(those)) for those in by.values()), key=lambda group: group.by)


def cautions(items: Iterable[Item]) -> list[Line]:
    """Return the caution once if one of the items works the ground."""
    return [Line((WORKING,))] if any(item.rule.works_ground for item in items) else []


def details(item: Item) -> list[Line]:
    """Return what the tables know for one item; the page must say ``cautions`` too."""
    tell = _DETAILS.get(item.rule.what)
    return list(tell(item.place)) if tell else []


def _named(place: Place) -> Phrase:
    return (cell("season_ahead", place.row, "field"),)


def _with_outlook(item: Item) -> Phrase:
    """Return the field; where the practice is decided on, with what working it should earn."""
    place = item.place
    if item.rule.what == "decide":
        row = place.tables.one("field_outlook", field=place.field, fall=place.season)
        if row is not None:
            return say_row("field_outlook", row, "{field} ({outlook})")
        return _named(place)
    return (cell("season_ahead", place.row | {"field": item.field}, "field"),)


def _missing(place: Place, what: list[str]) -> Iterator[Line]:
    if what:
        names = joined([(one,) for one in what])
        yield Line(say("{field}: missing {names}.", field=_named(place), names=names))


def _decide(place: Place) -> Iterator[Line]:
    yield from harvest.fall(place.tables, place.field, place.season, place.day, caution=False)
    yield from _layer(place)
    yield from planned(place)
    yield from between(place)


def _layer(place: Place) -> Iterator[Line]:
    for row in place.tables("field_outlook", field=place.field, fall=place.season).to_dicts():
        if row["compacted_top_cm"] is None:
            continue
        template = "{field}: the compacted layer begins at {compacted_top_cm}"
        if row["compacted_bottom_cm"] is not None:
            template += " and ends at {compacted_bottom_cm}; depth to set {working_depth_cm}"
        yield Line(say_row("field_outlook", row, template + "."))


def planned(place: Place) -> Iterator[Line]:
    """Say what the practice should earn in the crop planned next, until it is seeded."""
    if place.after is not None and place.next_seeded is None:
        yield from worth.planned(place.tables, place.field, place.after["season"])


def between(place: Place) -> Iterator[Line]:
    """Say the rain since harvest, the soil at working depth and the recharge so far."""
    row = place.between
    if row is None:
        return
    said = []
    if row["rain_mm"] is not None:
        against = " against {normal_recorded_mm} normal" if row["normal_recorded_mm"] else ""
        lost = (row["rain_coverage"] or 0.0) < WHOLE
        said.append(
            "{rain_mm} of rain" + against + (" (recorded: {rain_coverage})" if lost else "")
        )
    if row["recharge_gain_mm"] is not None:
        said.append(
            "water gained in the profile: treated {recharge_treated_mm:+}, check {recharge_check_mm:+}"
        )
    if said:
        start = "{field}, from harvest on {harvested} to {day}: "
        yield Line(say_row("between_crops_day", row, start + "; ".join(said) + "."))
    if row["state"] is not None:
        template = "{field}, soil at working depth ({working_depth_cm}): "
        template += "{available_water_share} of its available water"
        if row["change_week"] is not None:
            template += ", {change_week:+} in a week"
        template += f"; {_STATES[row['state']]}. Friable on {{friable_d}} of {{judged_d}} days since harvest."
        yield Line(say_row("between_crops_day", row, template))
    if row["usual_seeding_mm"] is not None:
        template = (
            "{field}, water in the profile: treated {water_treated_mm}, check {water_check_mm}; "
            "usual at seeding {usual_seeding_mm} (mean of {usual_seasons} seedings)."
        )
        yield Line(say_row("between_crops_day", row, template))


def _books(place: Place) -> Iterator[Line]:
    yield from _missing(place, checks.missing_of_books(place))
    yield from harvest.money(place.tables, place.field, place.season)
    yield from worth.budget(place.tables, place.field)


def _doubtful(place: Place) -> Iterator[Line]:
    for row in checks.doubtful_passes(place).to_dicts():
        template = "{field}, {strip} pass {pass} looks wrong: {doubt}."
        yield Line(say_row("pass_doubt", row, template))


def _standing(place: Place) -> Iterator[Line]:
    for row in place.stood_through(place.seeded or place.day):
        template = "{probe} has no lift in the book since {from_day}."
        yield Line(say_row("probe_spell", row, template))


_DETAILS: dict[str, Callable[[Place], Iterator[Line]]] = {
    "decide": _decide,
    "record work": lambda p: _missing(p, checks.missing_of_work(p)),
    "close books": _books,
    "correct passes": _doubtful,
    "lift": _standing,
    "plan": between,
    "seeding": between,
}


def of_week(tables: Tables, week: Week, made: Made | None) -> tuple[list[Group], list[Line]]:
    """Return what is due by a week's end, and what to know for it and of fields between two crops.

    The second ends in the caution where the ground may be worked.
    """
    every = items(tables, week.sunday, made)
    due = [item for item in every if item.ripe]
    known = [line for item in due for line in details(item)]
    known += [line for item in every for line in (*planned(item.place), *between(item.place))]
    once = list({str(line.phrase): line for line in known}.values())
    ground = [*due, *(item for item in every if item.place.between or any(planned(item.place)))]
    return grouped(due), [*once, *(cautions(ground) if once else [])]
