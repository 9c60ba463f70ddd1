"""Which moment of its interval a stamp is: what the file itself says of it, and how it is noted."""

import re

import polars as pl

from flows.setup.sniff import heading_parts
from flows.setup.sniff.columns import Column
from flows.setup.sniff.finding import Grid, Sure
from flows.setup.sniff.stamps import Stamps, joined, share

DAY_S = 86400
SOLAR = ("solar_radiation", "solar_energy")
HALVES = "they stand at half of each step, as middles do"


def named(grid: Grid, stamps: Stamps) -> str | None:
    """The end of the interval that the file itself names: in a heading, or by a day's hour 24."""
    heading = " ".join(grid.names[i] for i in stamps.places)
    if re.search(r"(?i)\b(end|ending|to|until)\b", heading_parts.plain(heading)):
        return "end"
    if re.search(r"(?i)\b(start|starting|begin|beginning|from)\b", heading_parts.plain(heading)):
        return "start"
    stamp = joined(grid, stamps.places)
    return "end" if stamp.str.contains(r"(?:^|\D)24(?::?00)(?::00)?$").any() else None


def by_halves(stamps: Stamps) -> str | None:
    """``middle`` if nearly all stamps stand at half of a step of whole minutes."""
    if stamps.step_s < 120 or stamps.step_s >= DAY_S:
        return None
    times = stamps.local.drop_nulls()
    second = (times.dt.hour().cast(pl.Int64) * 60 + times.dt.minute()) * 60 + times.dt.second()
    return "middle" if share(second % stamps.step_s == stamps.step_s // 2) > 0.95 else None


def at_noon(stamps: Stamps) -> bool:
    """Whether nearly all stamps say noon, as those of days in the middle do."""
    times = stamps.local.drop_nulls()
    noon = (times.dt.hour() == 12) & (times.dt.minute() == 0)
    return not stamps.date_only and share(noon) > 0.95


def note_centered(grid: Grid, columns: list[Column]) -> None:
    """The sun is right by the stamps themselves: values of a moment, or means around it."""
    of_moment = any(c.heading.sample for c in columns if str(c.heading.quantity) in SOLAR)
    of_mean = any(c.heading.mean for c in columns if str(c.heading.quantity) in SOLAR)
    why = "the sun's noon falls on the stamps themselves"
    if of_moment:
        grid.layout["stamp"] = "instant"
        why += ", and the heading speaks of values of a moment"
        grid.note("stamp", "instant", Sure.LIKELY, why)
        return
    grid.layout["stamp"] = end = "middle" if of_mean else "instant"
    why += ": values of that moment (instant), or means of the step around it (middle)?"
    grid.note("stamp", end, Sure.UNSURE, why)


def note(grid: Grid, end: str | None, why: str = "", *, unsure: bool = False) -> None:
    """Note where in its interval a stamp is; None if nothing tells it."""
    grid.layout["stamp"] = end or "end"
    if end is not None:
        sure = Sure.UNSURE if unsure else Sure.LIKELY
        why = f"stamps are at the {end} of the interval: {why}" + (": is it so?" if unsure else "")
        grid.note("stamp", end, sure, why)
        return
    grid.note(
        "stamp",
        "end",
        Sure.UNSURE,
        "most loggers stamp the end of the interval, and nothing in the file says otherwise. Is that so?",
    )
