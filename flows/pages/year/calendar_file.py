"""The year as a calendar file (RFC 5545): an all-day event a task and field, on the day it is due by."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from uuid import NAMESPACE_URL, uuid5

from icalendar import Calendar, Event

from flows.pages import render
from flows.pages.cells import written
from flows.pages.reader_units import Show
from flows.pages.year import lines
from flows.pages.year.items import Item


def calendar(items: Iterable[Item], show: Show, farm: str, made_at: datetime) -> bytes:
    """Return what is due and ahead as a calendar; a task that is late is on the day of the list.

    A task keeps its identity (UID) from file to file, so a calendar that reads a later one moves the
    event. ``made_at``: UTC.
    """
    out = Calendar()
    out.add("prodid", "-//Checkstrip//the trial's year//EN")
    out.add("version", "2.0")
    for item in items:
        if item.state in {"due", "ahead"}:
            out.add_component(_event(item, show, farm, made_at))
    return bytes(out.to_ical())


def _event(item: Item, show: Show, farm: str, made_at: datetime) -> Event:
    place, day = item.place, max(item.by, item.place.day)
    group = lines.Group((item,))
    window = f"From {written(item.first)} to {written(item.last)}."
    known = [*lines.details(item), *lines.cautions([item])]
    event = Event()
    name = "\n".join((farm, item.rule.what, item.field, str(place.season)))
    event.add("uid", str(uuid5(NAMESPACE_URL, f"checkstrip:{name}")))
    event.add("dtstamp", made_at)
    event.add("dtstart", day)
    event.add("dtend", day + timedelta(days=1))
    event.add("summary", show.phrase(group.phrase))
    event.add("description", "\n".join([window, *(render.line_text(one, show) for one in known)]))
    event.add("categories", [farm])
    event.add("transp", "TRANSPARENT")
    return event
