"""Which clock the stamps keep: daylight saving by its two days, the zone by the sun.

The centre of each day's radiation, on average over days, lies at solar noon. Compared with the sun
at the farm's longitude it tells the clock's offset from UTC to a few minutes, so also whether a
'Z' in the stamps is true. Without radiation the hours of the warmest and coldest air tell UTC from
local time where the two lie far apart. An hour's step leaves half an hour open (stamps at the start
or end of their interval); what stays open is asked.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import polars as pl

from flows.farm_file import standard_offset_h
from flows.sniff import sunlight
from flows.sniff.columns import Column
from flows.sniff.finding import Grid, Sure
from flows.sniff.stamps import Stamps
from schemas.farm import Place

NEAR_H = 0.2  # how near the sun must come to a clock to be taken for it
DAY_S = 86400


@dataclass(frozen=True, slots=True)
class Clock:
    """One way to read the stamps: its layout keys, and local minus UTC for each row, in hours."""

    name: str
    keys: dict[str, object]
    offset_h: pl.Series


def find(
    grid: Grid, stamps: Stamps, columns: list[Column], place: Place | None
) -> dict[str, object]:
    """The layout's zone keys (for ``time``) and, by the way, a note on ``stamp``."""
    if stamps.epoch:
        grid.note("time.zone", "UTC", Sure.CERTAIN, "seconds since 1970 are UTC")
        _stamp(grid, None)
        return {}
    if stamps.step_s >= DAY_S:
        return _daily(grid, stamps)
    if place is None:
        keys: dict[str, object] = {"offset": "Z"} if stamps.mark in (None, "several") else {}
        grid.note(
            "time.offset", "Z", Sure.UNSURE, "without a place the clock cannot be told: which?"
        )
        _stamp(grid, None)
        return keys | ({"trust_zone": True} if stamps.mark else {})
    clocks = _clocks(stamps, place)
    return _decide(grid, stamps, columns, place, clocks)


def _daily(grid: Grid, stamps: Stamps) -> dict[str, object]:
    if stamps.date_only:
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
    named = place.time_zone
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
    saving = sunlight.offsets(local, ZoneInfo(named))
    if _has_saving(ZoneInfo(named)):
        clocks.append(Clock("local time with daylight saving", {"zone": named}, saving))
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


def _decide(
    grid: Grid, stamps: Stamps, columns: list[Column], place: Place, clocks: list[Clock]
) -> dict[str, object]:
    """Keep the clocks that the evidence allows; one is the answer, several are a question."""
    reasons: list[str] = []
    left = _by_saving_days(stamps, place, clocks, reasons)
    sun = sunlight.by_sun(stamps, columns, place)
    ends = ("end", "start")
    fits: list[tuple[float, Clock, str]] = []
    if sun is not None:
        for clock in left:
            for end in ends:
                error = sunlight.sun_error(sun, clock, end, stamps.step_s)
                fits.append((abs(error), clock, end))
        fits.sort(key=lambda f: f[0])
        near = [f for f in fits if f[0] <= NEAR_H]
        if near:
            left = list({id(f[1]): f[1] for f in near}.values())
            reasons.append(
                f"the sun's noon falls within {near[0][0] * 60:.0f} minutes of that over {len(sun)} days"
            )
            told = {f[2] for f in near}
            _stamp(grid, next(iter(told)) if len(told) == 1 and stamps.step_s >= 3000 else None)
            return _answer(grid, stamps, left, reasons)
        reasons.append("the sun's noon fits none of the clocks that are likely here")
        _stamp(grid, None)
        return _answer(grid, stamps, left, reasons, unsure=True)
    warm = sunlight.by_warmth(stamps, columns, place, left)
    if warm is not None and len(warm) < len(left):
        left = warm
        reasons.append("the warmest and coldest hours of the day fit")
    _stamp(grid, None)
    return _answer(grid, stamps, left, reasons)


def _answer(
    grid: Grid, stamps: Stamps, left: list[Clock], reasons: list[str], *, unsure: bool = False
) -> dict[str, object]:
    marked = stamps.mark not in (None, "several")
    written = 0.0 if marked and str(stamps.mark)[0] not in "+-" else None
    if marked and written is None:
        written = _hours(str(stamps.mark))
    true = [c for c in left if written is not None and _is(c, written)]
    chosen = left[0] if not true or (marked and reasons and true[0] is not left[0]) else true[0]
    names = [f"{c.name} ({next(iter(c.keys.values()))})" for c in left]
    why = "; ".join(reasons) or "nothing in it tells the clock"
    if stamps.mark == "several":
        grid.note("time.trust_zone", "true", Sure.LIKELY, "the stamps name more than one offset")
        return {"trust_zone": True}
    if len(left) > 1 or unsure or not reasons:
        why += f"; it may be {' or '.join(names)}: which?"
        grid.note("time.zone", names[0], Sure.UNSURE, why)
        return dict(chosen.keys)
    if marked and true:
        grid.note(
            "time.trust_zone", "true", Sure.LIKELY, f"'{stamps.mark}' in the stamps is true: {why}"
        )
        return {"trust_zone": True}
    if marked:
        why = f"'{stamps.mark}' in the stamps is not true: {why}"
    grid.note("time.zone", names[0], Sure.LIKELY, why)
    return dict(chosen.keys)


def _is(clock: Clock, hours: float) -> bool:
    return "offset" in clock.keys and clock.offset_h[0] == hours


def _by_saving_days(
    stamps: Stamps, place: Place, clocks: list[Clock], reasons: list[str]
) -> list[Clock]:
    """On the days when saving begins and ends, a clock that follows it skips an hour or shows it twice."""
    saving = next((c for c in clocks if "zone" in c.keys), None)
    if saving is None or not 0 < stamps.step_s <= 3600:
        return clocks
    follows, ignores = 0, 0
    counted = stamps.local.value_counts(name="times")
    known = dict(counted.iter_rows())
    read = stamps.local.drop_nulls()
    first, last = min(read.to_list()), max(read.to_list())
    for gone, doubled in _changes(place, first, last):
        spring = [known.get(gone + timedelta(seconds=s), 0) for s in range(0, 3600, stamps.step_s)]
        autumn = [
            known.get(doubled + timedelta(seconds=s), 0) for s in range(0, 3600, stamps.step_s)
        ]
        around_spring = gone.year > 1 and _present(known, gone, stamps.step_s)
        around_autumn = doubled.year > 1 and _present(known, doubled, stamps.step_s)
        if around_spring:
            follows, ignores = (follows + 1, ignores) if not any(spring) else (follows, ignores + 1)
        if around_autumn:
            twice = all(n >= 2 for n in autumn)
            follows, ignores = (follows + 1, ignores) if twice else (follows, ignores + 1)
    if follows and not ignores:
        reasons.append("the hour of daylight saving is skipped in spring or doubled in autumn")
        return [saving]
    if ignores and not follows:
        reasons.append("the clock goes straight through the days when daylight saving changes")
        return [c for c in clocks if c is not saving]
    return clocks


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


def _stamp(grid: Grid, end: str | None) -> None:
    grid.layout["stamp"] = end or "end"
    if end is not None:
        grid.note(
            "stamp", end, Sure.LIKELY, "by the sun the stamps are at that end of the interval"
        )
        return
    grid.note(
        "stamp",
        "end",
        Sure.UNSURE,
        "most loggers stamp the end of the interval, and nothing in it tells otherwise: is it so?",
    )
