"""Which spans of time an HTTP source is asked for: what is new, and what an outage left open.

If a source still responds but has no new readings (the station is down, the service is not),
remember the gap after its last reading. Each collect asks for the last month at most; the whole gap
is requested again when readings resume, and at growing intervals before and after that. A span that
is asked for in pieces goes on where it was broken off.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

from flows.farm.farm_file import standard_offset_h
from schemas.farm.farm import Farm, Source

# How far back every collect looks when readings stop while the source still answers. Common
# practice, no source.
CATCH_UP = timedelta(days=31)
# How often the whole gap is asked for: at least so far apart, and by a share of its length.
LEAST_APART, SHARE = timedelta(days=7), 8
# How long after readings resumed the gap is still asked for: a logger's memory may be fetched by
# hand later.
GAP_OPEN = timedelta(days=62)
LONGEST_ASK = timedelta(days=35)  # without piece_d, if the url has {until}

Known = dict[str, Any]  # one source's entry in state/http.json: its keys stay as they are
Span = tuple[datetime, datetime]


@dataclass(frozen=True, slots=True)
class Ask:
    """What one source is asked for: pieces, oldest first; ``gap_from`` if they cover its gap."""

    pieces: tuple[Span, ...]
    gap_from: datetime | None
    latest: datetime | None
    now: datetime


def ask(
    source: Source,
    latest: datetime | None,
    known: Known,
    now: datetime,
    begin: datetime | None = None,
) -> Ask:
    """Return the spans to ask for, from a little before what is stored.

    ``latest`` is the last reading that the source brought, ``known`` what is remembered of it, and
    ``begin`` where a first time begins (see ``beginning``).
    """
    gap_from = gap_to_ask(latest, known, now) if known.get("until") else None
    asked_from = instant(known.get("begin"))
    overlap = timedelta(hours=source.overlap_h)
    if source.begin is not None and begin is not None and begin < (asked_from or begin):
        # the farm file wants an earlier beginning than was ever asked for
        return Ask(_pieces(source, begin, now), None, latest, now)
    if gap_from is not None:
        since = (instant(known.get("owed_done")) or gap_from) - overlap
    elif (asked := instant(known.get("until"))) is not None:
        late = max(latest, asked - CATCH_UP) if latest is not None else asked
        since = min(asked, late) - overlap
    elif latest is not None:
        since = latest - overlap
    else:
        since = begin or now - overlap
    return Ask(_pieces(source, since, now), gap_from, latest, now)


def gap_to_ask(latest: datetime | None, known: Known, now: datetime) -> datetime | None:
    """Return where the gap begins if it is to be asked for whole now, else None."""
    gap_from = _open_gap(latest, known, now)
    if gap_from is None:
        return None
    asked = instant(known.get("owed_asked"))
    if asked is None or known.get("owed_done"):
        return gap_from
    heard = instant(known.get("owed_heard"))
    if latest is not None and heard is not None and heard <= gap_from < latest:
        return gap_from  # readings resumed, and this is the first collect that knows
    return gap_from if now - asked >= max(LEAST_APART, (now - gap_from) / SHARE) else None


def _open_gap(latest: datetime | None, known: Known, now: datetime) -> datetime | None:
    """Return the last reading before a silence longer than what every collect looks back."""
    gap_from, resumed = instant(known.get("owed")), instant(known.get("again"))
    if gap_from is not None:
        return gap_from if resumed is None or now - resumed < GAP_OPEN else None
    asked = instant(known.get("until"))
    silent = latest is not None and asked is not None and latest < asked - CATCH_UP
    return latest if silent else None


def remember_answer(asked: Ask, piece: int, known: Known) -> Known:
    """Return what to remember once a piece was answered."""
    since, until = asked.pieces[piece]
    begin, before = instant(known.get("begin")), instant(known.get("until"))
    new: Known = {
        "begin": min(since, begin or since).isoformat(),
        "until": max(until, before or until).isoformat(),
        "not_before": None,
    }
    if asked.gap_from is None:
        if known.get("owed") and _open_gap(asked.latest, known, asked.now) is None:
            new |= dict.fromkeys(("owed", "owed_asked", "owed_heard", "owed_done", "again"))
        return new
    new["owed"], new["owed_done"] = asked.gap_from.isoformat(), until.isoformat()
    if piece == len(asked.pieces) - 1:
        new["owed_done"], new["owed_asked"] = None, asked.now.isoformat()
        new["owed_heard"] = None if asked.latest is None else asked.latest.isoformat()
        if asked.latest is not None and asked.latest > asked.gap_from:
            new["again"] = known.get("again") or asked.now.isoformat()
    return new


def beginning(farm: Farm, source: Source) -> datetime | None:
    """Return when a first request begins: midnight at the farm of the source's ``begin`` or first day."""
    day = source.begin or _first_day(farm, source)
    if day is None:
        return None
    midnight = datetime.combine(day, datetime.min.time(), UTC)
    return midnight - timedelta(hours=standard_offset_h(farm.place))


def _first_day(farm: Farm, source: Source) -> date | None:
    """Return the first day of the source's instruments, or of all if it names none."""
    named = bool(source.station or source.probe)
    stations = [s for s in farm.stations if not named or s.name == source.station]
    probes = [p for p in farm.probes if not named or p.name == source.probe]
    days = [spell.from_day for station in stations for spell in station.spells]
    days += [spell.from_day for probe in probes for spell in probe.spells]
    return min(days, default=None)


def _pieces(source: Source, since: datetime, now: datetime) -> tuple[Span, ...]:
    url = source.url or ""
    length = None if source.piece_d is None else timedelta(days=source.piece_d)
    if length is None and "{until}" in url:
        length = LONGEST_ASK
    if "{since}" not in url or length is None:
        return ((since, now),)
    found: list[Span] = []
    while since < now:
        found.append((since, min(since + length, now)))
        since += length
    return tuple(found) or ((since, now),)


def instant(text: Any) -> datetime | None:
    """Return a remembered time, or None."""
    try:
        found = datetime.fromisoformat(text) if isinstance(text, str) else None
    except ValueError:
        return None
    return found if found and found.tzinfo else None
