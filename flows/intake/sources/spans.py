"""Which spans of time an HTTP source is asked for: what is new, and what an outage left open.

A source that still answers while its readings stop (the station is down, the service is not) is
owed a span: what lies after the last reading. Each collect looks back a month at most; the owed span
is asked for whole when readings come again, and now and then before and after that, in steps that
grow with its length. A span that is asked for in pieces goes on where it was broken off.
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
# How often an owed span is asked for whole: at least so far apart, and by a share of its length.
LEAST_APART, SHARE = timedelta(days=7), 8
# How long after readings came again the owed span is still asked for: a logger's memory may be
# fetched by hand later.
STILL_OWED = timedelta(days=62)
LONGEST_ASK = timedelta(days=35)  # without piece_d, where the url has {until}

Known = dict[str, Any]
Span = tuple[datetime, datetime]


@dataclass(frozen=True, slots=True)
class Ask:
    """What one source is asked for: pieces, oldest first, and since when it owes, if that is asked for."""

    pieces: tuple[Span, ...]
    owed: datetime | None
    latest: datetime | None
    now: datetime


def ask(
    source: Source,
    latest: datetime | None,
    known: Known,
    now: datetime,
    begin: datetime | None = None,
) -> Ask:
    """The spans to ask for: from a little before what is held.

    ``latest`` is the last reading that the source brought, ``known`` what is remembered of it, and
    ``begin`` where a first time begins (see ``beginning``).
    """
    owed = owed_from(latest, known, now) if known.get("until") else None
    asked_from = instant(known.get("begin"))
    overlap = timedelta(hours=source.overlap_h)
    if source.begin is not None and begin is not None and begin < (asked_from or begin):
        # the farm file wants an earlier beginning than was ever asked for
        return Ask(_pieces(source, begin, now), None, latest, now)
    if owed is not None:
        since = (instant(known.get("owed_done")) or owed) - overlap
    elif (asked := instant(known.get("until"))) is not None:
        late = max(latest, asked - CATCH_UP) if latest is not None else asked
        since = min(asked, late) - overlap
    elif latest is not None:
        since = latest - overlap
    else:
        since = begin or now - overlap
    return Ask(_pieces(source, since, now), owed, latest, now)


def owed_from(latest: datetime | None, known: Known, now: datetime) -> datetime | None:
    """From when the owed span is to be asked for whole now; None where there is none or it can wait."""
    owed = _owed(latest, known, now)
    if owed is None:
        return None
    asked = instant(known.get("owed_asked"))
    if asked is None or known.get("owed_done"):
        return owed
    heard = instant(known.get("owed_heard"))
    if latest is not None and heard is not None and heard <= owed < latest:
        return owed  # it speaks again, and this is the first collect that knows
    return owed if now - asked >= max(LEAST_APART, (now - owed) / SHARE) else None


def _owed(latest: datetime | None, known: Known, now: datetime) -> datetime | None:
    """The last reading before a silence longer than what every collect looks back."""
    owed, again = instant(known.get("owed")), instant(known.get("again"))
    if owed is not None:
        return owed if again is None or now - again < STILL_OWED else None
    asked = instant(known.get("until"))
    silent = latest is not None and asked is not None and latest < asked - CATCH_UP
    return latest if silent else None


def answered(asked: Ask, piece: int, known: Known) -> Known:
    """What to remember when a piece was answered."""
    since, until = asked.pieces[piece]
    begin, before = instant(known.get("begin")), instant(known.get("until"))
    new: Known = {
        "begin": min(since, begin or since).isoformat(),
        "until": max(until, before or until).isoformat(),
        "not_before": None,
    }
    if asked.owed is None:
        if known.get("owed") and _owed(asked.latest, known, asked.now) is None:
            new |= dict.fromkeys(("owed", "owed_asked", "owed_heard", "owed_done", "again"))
        return new
    new["owed"], new["owed_done"] = asked.owed.isoformat(), until.isoformat()
    if piece == len(asked.pieces) - 1:
        new["owed_done"], new["owed_asked"] = None, asked.now.isoformat()
        new["owed_heard"] = None if asked.latest is None else asked.latest.isoformat()
        if asked.latest is not None and asked.latest > asked.owed:
            new["again"] = known.get("again") or asked.now.isoformat()
    return new


def beginning(farm: Farm, source: Source) -> datetime | None:
    """When a first time begins: midnight at the farm of the source's ``begin``, or of the first day
    of the instruments that it is of (of all, where it names none)."""
    day = source.begin or _first_day(farm, source)
    if day is None:
        return None
    midnight = datetime.combine(day, datetime.min.time(), UTC)
    return midnight - timedelta(hours=standard_offset_h(farm.place))


def _first_day(farm: Farm, source: Source) -> date | None:
    of = {("station", source.station), ("probe", source.probe)}
    named = any(name for _, name in of)
    spells = [("station", s.name, s.spells) for s in farm.stations]
    spells += [("probe", p.name, p.spells) for p in farm.probes]
    days = [spell.from_day for kind, name, own in spells for spell in own if not named or (kind, name) in of]  # fmt: skip
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
    """A remembered time; None where there is none."""
    try:
        return datetime.fromisoformat(text) if isinstance(text, str) else None
    except ValueError:
        return None
