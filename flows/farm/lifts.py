"""Lifts of probes, from the field book: each cuts the spell of farm.toml in which it lies.

The day of lifting and the day of setting back are not whole days in the soil, so neither is left in
a spell.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import date, timedelta
from typing import Any

from schemas.farm.farm import Farm
from schemas.farm.instruments import Probe, Spell

ALL = "all"
_DAY = timedelta(days=1)
_OPEN = date.max


def cut(farm: Farm, lifts: Iterable[Mapping[str, Any]]) -> Farm:
    """Return the farm with the spells of its probes cut by the rows of the table ``lift``."""
    rows = [(lift["probe"], lift["out_day"], lift["in_day"]) for lift in lifts]
    return farm.model_copy(update={"probes": tuple(_cut(probe, rows) for probe in farm.probes)})


def _cut(probe: Probe, rows: list[tuple[str, date, date | None]]) -> Probe:
    spells = list(probe.spells)
    for name, out, back in rows:
        if name in (ALL, probe.name):
            spells = [part for spell in spells for part in _parts(spell, out, back)]
    return probe.model_copy(update={"spells": tuple(spells)})


def _parts(spell: Spell, out: date, back: date | None) -> Iterator[Spell]:
    """Yield what a lift leaves of a spell; one without an end lasts to the end of its spell."""
    begin, end = spell.from_day, spell.to_day or _OPEN
    if out > end or (back or out) < begin:
        yield spell
        return
    if out > begin:
        yield spell.model_copy(update={"to_day": out - _DAY})
    if back is not None and back < end:
        yield spell.model_copy(update={"from_day": back + _DAY})


def contradiction(probes: Iterable[Probe], out: date, back: date | None) -> str:
    """Return what was expected of a lift that fits no spell of any of the probes; empty if it fits.

    A lift that is exactly the time between two spells says what they say, and fits.
    """
    probes = list(probes)
    if any(_fits(probe, out, back) for probe in probes):
        return ""
    spells = sorted({(s.from_day, s.to_day) for probe in probes for s in probe.spells})
    return "days within " + "; ".join(f"{first} to {last or 'now'}" for first, last in spells)


def _fits(probe: Probe, out: date, back: date | None) -> bool:
    spells = sorted(probe.spells, key=lambda spell: spell.from_day)
    within = any(s.from_day <= out and (back or out) <= (s.to_day or _OPEN) for s in spells)
    ends = {s.to_day + _DAY for s in spells if s.to_day}
    begins = {s.from_day - _DAY for s in spells} | {None}
    inside = any(s.from_day <= (back or out) and out <= (s.to_day or _OPEN) for s in spells)
    return within or (out in ends and back in begins and not inside)
