"""Which clock the stamps keep: daylight saving by its two days, the zone by the sun.

The center of each day's radiation, on average over days, lies at solar noon. Compared with the sun
at the farm's longitude it tells the clock's offset from UTC to a few minutes, so also whether a
'Z' in the stamps is true. Without radiation the hours of the warmest and coldest air tell UTC from
local time where the two lie far apart. Rain that falls when it falls at a station near by tells
both the clock and the end of the interval. What stays open is asked.
"""

import re
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import polars as pl

from flows.base.plain_text import counted
from flows.farm.farm_file import standard_offset_h
from flows.setup.sniff import heading_parts, possible_units, stamp_end, sunlight
from flows.setup.sniff.columns import Column
from flows.setup.sniff.finding import Grid, Sure
from flows.setup.sniff.rain_clock import Candidate, Neighbor, RainAnswer, compare
from flows.setup.sniff.stamps import Stamps
from flows.setup.sniff.sunlight import Clock
from schemas.farm.farm import Place

DAY_S = 86400
_NAMED_BY_FILE = "the file says so itself"
_EPOCH = "seconds since 1970 are UTC"
_UTC_BY_HEADING = "the heading of the times says UTC"


def find(
    grid: Grid,
    stamps: Stamps,
    columns: list[Column],
    place: Place | None,
    neighbors: Sequence[Neighbor] = (),
) -> dict[str, object]:
    """The layout's zone keys (for ``time``) and, by the way, a note on ``stamp``."""
    if stamps.step_s >= DAY_S and not stamps.epoch:
        return _daily(grid, stamps)
    if place is not None and stamps.step_s < DAY_S:
        return _decide(grid, stamps, columns, place, _clocks(stamps, place), neighbors)
    named = stamp_end.named(grid, stamps)
    end, why = (named, _NAMED_BY_FILE) if named else (stamp_end.by_halves(stamps), stamp_end.HALVES)
    stamp_end.note(grid, end, why, unsure=named is None)
    if stamps.epoch:
        grid.note("time.zone", "UTC", Sure.CERTAIN, _EPOCH)
        return {}
    keys: dict[str, object] = {"offset": "Z"} if stamps.mark in (None, "several") else {}
    if _says_utc(grid, stamps):
        grid.note("time.offset", "Z", Sure.LIKELY, _UTC_BY_HEADING)
        return keys | ({"trust_zone": True} if stamps.mark else {})
    why = "without a place (--folder) the clock cannot be found: which?"
    if stamps.mark:
        why = f"the stamps say '{stamps.mark}', and without a place (--folder) nothing can check that: is it true?"
    grid.note("time.offset", "Z", Sure.UNSURE, why)
    return keys | ({"trust_zone": True} if stamps.mark else {})


def _daily(grid: Grid, stamps: Stamps) -> dict[str, object]:
    if stamp_end.at_noon(stamps):
        stamp_end.note(grid, "middle", "every day is stamped at noon", unsure=True)
    elif stamps.date_only:
        grid.layout["stamp"] = "start"
        grid.note("stamp", "start", Sure.LIKELY, "a daily row is named by the day that it covers")
    else:
        grid.layout["stamp"] = "end"
        grid.note(
            "stamp", "end", Sure.UNSURE, "daily rows with a clock time: of the day before or after?"
        )
    grid.note(
        "time.zone", "that of the farm", Sure.LIKELY, "a daily record keeps the days of its place"
    )
    return {} if stamps.form != "iso" or not stamps.mark else {"trust_zone": False}


def _clocks(stamps: Stamps, place: Place) -> list[Clock]:
    standard = standard_offset_h(place)
    local = stamps.local
    if stamps.epoch:
        zero = pl.repeat(0.0, local.len(), eager=True, dtype=pl.Float64)
        return [Clock("UTC", {"offset": "Z"}, zero)]
    steady = [("standard time", standard), ("UTC", 0.0)]
    if stamps.mark and stamps.mark[0] in "+-":
        steady.append(("the offset written", _hours(stamps.mark)))
    clocks = [
        Clock(
            name,
            {"offset": offset_text(h)},
            pl.repeat(h, local.len(), eager=True, dtype=pl.Float64),
        )
        for name, h in {h: (n, h) for n, h in reversed(steady)}.values()
    ]
    if _has_saving(place.zone):
        saving = sunlight.offsets(local, place.zone)
        keys: dict[str, object] = {"zone": place.time_zone}
        clocks.append(Clock("local time with daylight saving", keys, saving))
    return clocks


def _hours(mark: str) -> float:
    text = mark.replace(":", "")
    return (-1 if text[0] == "-" else 1) * (int(text[1:3]) + int(text[3:5]) / 60)


def offset_text(hours: float) -> str:
    """An offset as a layout has it."""
    if hours == 0:
        return "Z"
    minutes = round(abs(hours) * 60)
    return f"{'-' if hours < 0 else '+'}{minutes // 60:02d}:{minutes % 60:02d}"


def _has_saving(zone: ZoneInfo) -> bool:
    offsets = {datetime(2024, m, 1, tzinfo=UTC).astimezone(zone).utcoffset() for m in range(1, 13)}
    return len(offsets) > 1


def _decide(  # noqa: PLR0917
    grid: Grid,
    stamps: Stamps,
    columns: list[Column],
    place: Place,
    clocks: list[Clock],
    neighbors: Sequence[Neighbor],
) -> dict[str, object]:
    """Keep the ways to read the stamps that the evidence allows; one is the answer, several a question."""
    reasons: list[str] = []
    follows = _follows_daylight_saving(stamps, place)
    if follows is not None:
        clocks = [c for c in clocks if ("zone" in c.keys) == follows] or clocks
        reasons.append(
            "the hour of daylight saving is skipped in spring or doubled in autumn"
            if follows
            else "the clock goes straight through the days when daylight saving changes"
        )
    named = stamp_end.named(grid, stamps)
    ends = (named,) if named else ("end", "start")
    pairs = [(clock, end) for clock in clocks for end in ends]
    unsure, end_reasons = False, [_NAMED_BY_FILE] if named else []
    sun = sunlight.by_sun(stamps, columns, place)
    halves = None if named else stamp_end.by_halves(stamps)
    if not named:
        centered = _in_the_middle(stamps, clocks, pairs, sun, halves)
        end_reasons = [stamp_end.HALVES] if centered and halves else []
        pairs = centered or pairs
    if sun is not None:
        near, tells_end = sunlight.near(sun, pairs, stamps.step_s)
        unsure = not near
        if near:
            pairs = near
            end_reasons += ["by the sun"] if tells_end else []
            off = min(abs(sunlight.sun_error(sun, *pair, stamps.step_s)) for pair in pairs)
            reasons.append(
                f"the sun's noon falls within {off * 60:.0f} minutes of that over {counted(len(sun), 'day')}"
            )
        else:
            reasons.append("the sun's noon fits none of the clocks that are likely here")
    else:
        warm = sunlight.by_warmth(stamps, columns, place, clocks)
        if warm is not None and len(warm) < len(clocks):
            pairs = [pair for pair in pairs if pair[0] in warm]
            reasons.append("the warmest and coldest hours of the day fit")
    for neighbor in neighbors:
        answer = _by_rain(stamps, columns, pairs, neighbor)
        if answer is not None:
            pairs = [pairs[i] for i in answer.left]
            end_reasons.append(answer.evidence)
            reasons.append(answer.evidence)
    if _says_utc(grid, stamps):
        utc = [pair for pair in pairs if pair[0].keys == {"offset": "Z"}]
        pairs, unsure = (utc, unsure) if utc else (pairs, True)
        reasons.append(_UTC_BY_HEADING + ("" if utc else ", which the rest contradicts"))
    left = list({id(clock): clock for clock, _ in pairs}.values())
    kept = {end for _, end in pairs}
    end = kept.pop() if len(kept) == 1 and end_reasons else None
    if end == "middle" and not halves:
        stamp_end.note_centered(grid, columns)
    else:
        stamp_end.note(grid, end, "; ".join(end_reasons), unsure=end == "middle" and sun is None)
    return _note_zone(grid, stamps, left, reasons, unsure=unsure)


def _in_the_middle(
    stamps: Stamps,
    clocks: list[Clock],
    pairs: list[tuple[Clock, str]],
    sun: pl.DataFrame | None,
    halves: str | None,
) -> list[tuple[Clock, str]]:
    """The clocks with stamps in the middle, if the stamps or the sun say so clearly; else none."""
    middles = [(clock, "middle") for clock in clocks]
    if halves and (sun is None or sunlight.near(sun, middles, stamps.step_s)[0]):
        return middles
    if sun is not None and sunlight.centered(sun, pairs, middles, stamps.step_s):
        return middles
    return []


def _by_rain(
    stamps: Stamps, columns: list[Column], pairs: list[tuple[Clock, str]], neighbor: Neighbor
) -> RainAnswer | None:
    """The pairs by which rain falls when it falls at a neighbor."""
    column = next((c for c in columns if c.heading.quantity == "rain"), None)
    if column is None or len(pairs) < 2:
        return None
    rain = column.values
    if possible_units.is_total(rain):
        rain = rain.diff().clip(0, None)
    candidates = [
        Candidate(f"{clock.name}, stamped at the {end}", _ends(stamps, clock, end))
        for clock, end in pairs
    ]
    return compare(candidates, stamps.local, rain, stamps.step_s, neighbor)


def _ends(stamps: Stamps, clock: Clock, end: str) -> pl.Series:
    """The ends of the intervals in UTC, by one way to read the stamps."""
    later = stamps.step_s * {"start": 1.0, "middle": 0.5}.get(end, 0.0)
    micros = (clock.offset_h * 3.6e9).cast(pl.Int64).cast(pl.Duration("us"))
    utc = stamps.local.cast(pl.Datetime("us")) - micros + timedelta(seconds=later)
    return utc.dt.replace_time_zone("UTC")


def _note_zone(
    grid: Grid, stamps: Stamps, left: list[Clock], reasons: list[str], *, unsure: bool = False
) -> dict[str, object]:
    if stamps.epoch:
        sure = Sure.UNSURE if unsure else Sure.CERTAIN
        why = "; but ".join([_EPOCH, *(reasons[:1] if unsure else [])])
        grid.note("time.zone", "UTC", sure, why)
        return {}
    marked = stamps.mark not in (None, "several")
    written = 0.0 if marked and str(stamps.mark)[0] not in "+-" else None
    if marked and written is None:
        written = _hours(str(stamps.mark))
    true = [
        c for c in left if written is not None and "offset" in c.keys and c.offset_h[0] == written
    ]
    chosen = left[0] if not true or (marked and reasons and true[0] is not left[0]) else true[0]
    names = [f"{c.name} ({next(iter(c.keys.values()))})" for c in left]
    why = "; ".join(reasons) or "nothing in the file shows which clock"
    if stamps.mark == "several":
        grid.note("time.trust_zone", "true", Sure.LIKELY, "the stamps name more than one offset")
        return {"trust_zone": True}
    ignored = {"trust_zone": False} if marked else {}
    if len(left) > 1 or unsure or not reasons:
        why += f"; it may be {' or '.join(names)}: which?"
        grid.note("time.zone", names[0], Sure.UNSURE, why)
        return chosen.keys | ignored
    if marked and true:
        grid.note(
            "time.trust_zone", "true", Sure.LIKELY, f"'{stamps.mark}' in the stamps is true: {why}"
        )
        return {"trust_zone": True}
    if marked:
        why = f"'{stamps.mark}' in the stamps is not true: {why}"
    grid.note("time.zone", names[0], Sure.LIKELY, why)
    return chosen.keys | ignored


def _says_utc(grid: Grid, stamps: Stamps) -> bool:
    """Whether the headings of the times, or the row of units under them, say UTC."""
    below = [grid.units[i] for i in stamps.places if i < len(grid.units)]
    words = heading_parts.plain(" ".join([*(grid.names[i] for i in stamps.places), *below]))
    return re.search(r"\b(utc|gmt|zulu)\b", words.replace("(", " ").replace(")", " ")) is not None


def _follows_daylight_saving(stamps: Stamps, place: Place) -> bool | None:
    """Whether the stamps follow the place's daylight saving; None where no change lies in them."""
    if not 0 < stamps.step_s <= 3600:
        return None
    follows, ignores = 0, 0
    counted = stamps.local.value_counts(name="times")
    rows = int(counted["times"].mode().sort()[0])  # that an export of many series has for one time
    known = dict(counted.iter_rows())
    read = stamps.local.drop_nulls()
    first, last = min(read.to_list()), max(read.to_list())
    for gone, doubled in _changes(place, first, last):
        spring, autumn = (
            [known.get(hour + timedelta(seconds=s), 0) for s in range(0, 3600, stamps.step_s)]
            for hour in (gone, doubled)
        )
        if gone.year > 1 and _present(known, gone, stamps.step_s):
            follows, ignores = (follows + 1, ignores) if not any(spring) else (follows, ignores + 1)
        if doubled.year > 1 and _present(known, doubled, stamps.step_s):
            twice = all(n >= 2 * rows for n in autumn)
            follows, ignores = (follows + 1, ignores) if twice else (follows, ignores + 1)
    return None if bool(follows) == bool(ignores) else bool(follows)


def _present(known: dict[datetime, int], at: datetime, step_s: int) -> bool:
    """Whether the hours on both sides of an hour are there."""
    sides = (at - timedelta(seconds=step_s), at + timedelta(hours=1))
    return all(known.get(side) for side in sides)


def _changes(place: Place, first: datetime, last: datetime) -> list[tuple[datetime, datetime]]:
    """For each change within the span: the local hour that is skipped, and the one that is doubled."""
    found: list[tuple[datetime, datetime]] = []
    never = datetime(1, 1, 1)  # noqa: DTZ001 - clock times without a zone
    at = first.replace(minute=0, second=0, microsecond=0) - timedelta(days=1)
    before = at.replace(tzinfo=UTC).astimezone(place.zone).utcoffset()
    while at < last + timedelta(days=1):
        at += timedelta(hours=1)
        now = at.replace(tzinfo=UTC).astimezone(place.zone).utcoffset()
        if now is not None and before is not None and now != before:
            if now > before:
                found.append((at + before, never))
            else:
                found.append((never, at + now))
        before = now
    return found
