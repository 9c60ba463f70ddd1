"""A mail on the day on which an instrument begins to need somebody, once a cause, and when it is over.

What each reader knows follows from their letters in the outbox alone: a letter names what it opened
and what it said to be over. So a crash before a letter is written loses nothing, and one after it
says nothing twice: it is the day's letter, under its own Message-ID.
"""

import json
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import polars as pl

from flows.farm.folder import FarmFolder
from flows.pages.cells import Frame, Line, Page, Phrase, Section, made_on, say_row
from flows.pages.mail import message
from flows.pages.mail.outbox import ALERT, Letter, Outbox
from flows.pages.published_tables import Tables
from flows.pages.sections import instruments
from flows.pages.sections.causes import Cause, Place, begun, counted, named, verdict
from flows.store import query
from schemas.farm.farm import Mail

_FOOT = "At most one such mail a day. To end them: alerts = false in farm.toml."


@dataclass(frozen=True, slots=True)
class News:
    """What is new to a reader: causes that began, parts that are well again; and all they know then."""

    began: list[Cause]
    over: list[Place]
    opened: frozenset[Place]


def write(folder: FarmFolder, mail: Mail, now: datetime | None = None) -> list[Letter]:
    """Put a letter into the outbox for each reader with ``alerts`` to whom something is new or over.

    Findings are those of the highest severity, instruments silent as of yesterday among them. A reader
    gets at most one letter a day by the farm's clock. Raises UserError if nothing is published.
    """
    at = now or datetime.now(UTC)
    outbox = Outbox(folder)
    letters = [letter for letter in outbox.letters() if letter.week.startswith(ALERT)]
    out = []
    with query.open_published(folder) as con:
        tables = Tables(con)
        today = at.astimezone(tables.zone).date()
        name = f"{ALERT}{today.isoformat()}"
        causes = instruments.current(tables, today - timedelta(days=1))
        farm = tables.show().part(tables.farm_name())
        for reader in mail.alerted:
            own = [letter for letter in letters if letter.reader == reader.address]
            found = news(causes, _known(own))
            if any(letter.week == name for letter in own) or not (found.began or found.over):
                continue
            show = tables.show(reader.units, brief=True)
            identity = message.message_id(farm, name, reader.address, mail.sender)
            heads = {"sender": mail.sender, "reader": reader.address, "identity": identity}
            built = message.build(_page(tables, found, today), show, **heads, at=at)
            given = {"opened": _keys(found.opened), "over": _keys(found.over)}
            out.append(outbox.put(built, name, reader.address, **given))
    return out


def news(causes: list[Cause], known: frozenset[Place]) -> News:
    """Return what is new to somebody who knows these parts to need somebody.

    A cause is known if any of its parts is. A part is over if no cause has it any more, unless its
    instrument is silent: then nothing is known of it.
    """
    now = frozenset(place for cause in causes for place in cause.places)
    silent = {(kind, name) for kind, name, _, what in now if what == "silent"}
    over = sorted(place for place in known - now if place[:2] not in silent)
    began = [cause for cause in causes if not cause.places & known]
    return News(began, over, now - known)


def _known(letters: list[Letter]) -> frozenset[Place]:
    """Return the parts that a reader's letters have named and not said to be over."""
    known: set[Place] = set()
    for letter in sorted(letters, key=lambda one: one.week):
        known -= {_place(key) for key in letter.over}
        known |= {_place(key) for key in letter.opened}
    return frozenset(known)


def _keys(places: Iterable[Place]) -> list[str]:
    return sorted(json.dumps(place) for place in places)


def _place(key: str) -> Place:
    kind, instrument, part, what = json.loads(key)
    return kind, instrument, part, what


# ---- the page --------------------------------------------------------------------------------


def _page(tables: Tables, found: News, today: date) -> Page:
    """Return the page of an alert: what there is to do, then what is over."""
    over = _over(tables, found.over)
    subject = found.began[0].short if found.began else over[0][:-1]
    title: Phrase = (tables.farm_name(), ": ", *subject)
    rest = len(found.began) + len(over) - 1
    if rest:
        title = (*title, " (and ", *counted(rest, "more thing"), ")")
    under = verdict(found.began) if found.began else begun((*counted(len(over), "thing"), " over."))
    sections = [
        Section((heading,), tuple(lines))
        for heading, lines in (
            ("New", [one.line for one in found.began]),
            ("Over", [Line(phrase) for phrase in over]),
        )
        if lines
    ]
    return Page(title, under, tuple(sections), (Line((_FOOT,)), made_on(today)))


def _over(tables: Tables, places: list[Place]) -> list[Phrase]:
    """Return sentences on what is over; instruments that had the same share one."""
    alike: dict[Place | tuple[str, str], list[Place]] = {}
    for place in places:
        kind, _, _, what = place
        alike.setdefault(place if what == "part" else (kind, what), []).append(place)
    out: list[Phrase] = []
    for those in alike.values():
        if len(those) == 1:
            out.append((*_who(tables, those[0]), " is over", "."))
            continue
        names = named((Frame(instrument),) for _, instrument, _, _ in those)
        out.append((*names, f": {those[0][3]} is over", "."))
    return out


def _who(tables: Tables, place: Place) -> Phrase:
    """Return what a part had, by its latest finding; by its name alone if no row is left of it."""
    kind, instrument, part, what = place
    rows = tables("station_health", kind=kind, instrument=instrument, part=part, state="found")
    rows = rows.filter((pl.col("finding") == what) | (pl.lit(what) == "part"))
    latest = rows.sort("to_day", "from_day").to_dicts()[-1:]
    for row in latest:
        where = ", {part}" if row["depth_cm"] is None else ", {depth_cm}"
        template = (
            "{instrument}" + ("" if part == "whole" else where) + ": {finding} since {from_day}"
        )
        return say_row("station_health", row, template)
    name = instrument if part == "whole" else f"{instrument}, {part}"
    return (Frame(name), ": what was found" if what == "part" else f": {what}")
