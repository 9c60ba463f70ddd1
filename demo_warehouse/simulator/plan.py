"""The invented farm as its own files say it: fields, instruments, seasons, operations.

``farm.toml`` and the field book beside it are the one source; the rest that the simulator needs
(how wet the years are, how hard the pan is) stands here.
"""

from __future__ import annotations

import csv
import tomllib
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from demo_warehouse.simulator.crops import Season
from demo_warehouse.simulator.known import SIDES

ROOM = Path(__file__).resolve().parent.parent
FIRST = date(2020, 8, 1)
LAST = date(2025, 10, 31)
DAYS = (LAST - FIRST).days + 1
# Strips beside the two of a field: no instruments stand in them, they are weighed with the others.
MORE_STRIPS = (("Windbreak", "worked once"),)
MAPPED = ("Stonepile", 2025)  # field and season harvested across the strips, with a yield map
ROTATION = 5  # years: the seasons on record come again in later years

# Rain against normal by season (September before to August), chosen so that the five seasons show
# dry, wet and middling years.
WETNESS = {2020: 1.0, 2021: 0.65, 2022: 1.35, 2023: 0.75, 2024: 1.05, 2025: 0.85, 2026: 1.0}
PAN_CM = {"Windbreak": (20, 42), "Coulee": (22, 44), "Stonepile": (18, 40), "Gumbo": (20, 38)}
HARDNESS = {"Windbreak": 0.95, "Coulee": 0.85, "Stonepile": 1.0, "Gumbo": 0.6}
# Coulee's profile is deep: its roots go further down, faster, and thin out over a greater depth.
DEEPER_CM = {"Coulee": 30.0}
SWIFTER = {"Coulee": 1.5}
ROOTS_THIN_CM = {"Coulee": 80.0}
LOOSENED = {"deep tillage": 0.92, "gypsum": 0.20}  # share of the pan that one operation removes
SETTLES_YEARS = 3.4  # the loosened share falls to a third in this time of normal rain


@dataclass(frozen=True, slots=True)
class Operation:
    """One dated pass of a practice on a strip."""

    field: str
    strip: str
    day: date
    practice: str


@dataclass(frozen=True, slots=True)
class Lift:
    """One lift of a probe after the years of farm.toml, as the field book has it."""

    probe: str
    out: date
    back: date


@dataclass(frozen=True, slots=True)
class Plan:
    """The farm's fields with their seasons and operations, and the instruments of farm.toml."""

    fields: tuple[str, ...]
    seasons: dict[str, list[Season]]
    operations: tuple[Operation, ...]
    stations: dict[str, dict[str, Any]]
    probes: dict[str, dict[str, Any]]
    lifts: tuple[Lift, ...] = ()
    days: int = DAYS

    def strip(self, field: str, side: str) -> int:
        """The place of a strip in the simulator's arrays."""
        if side not in SIDES:
            return 2 * len(self.fields) + MORE_STRIPS.index((field, side))
        return 2 * self.fields.index(field) + SIDES.index(side)

    @property
    def more_sites(self) -> list[int]:
        """The fields, by number, of the strips beside the two of each field."""
        return [self.fields.index(field) for field, _ in MORE_STRIPS]

    def strips(self, field: str) -> tuple[str, ...]:
        """The names of a field's strips."""
        return (*SIDES, *(strip for name, strip in MORE_STRIPS if name == field))

    def probe_depths(self, name: str) -> tuple[float, ...]:
        """The depths of a probe's sensors in cm."""
        return tuple(float(s["depth_cm"]) for s in self.probes[name]["sensors"])


def _rows(name: str) -> list[dict[str, str]]:
    with (ROOM / "fieldbook" / f"{name}.csv").open(encoding="utf-8-sig", newline="") as lines:
        return list(csv.DictReader(lines))


def horizon(on: date) -> date:
    """Return the day up to which is simulated so that the record of ``on`` is whole.

    A crop in the field on that day ripens after it: its growth goes by the heat up to its harvest.
    """
    if on <= LAST:
        return LAST
    return date(on.year + (on.month >= 9), 10, 31)


def wetness(year: int) -> float:
    """Return a season's rain against normal; after those that are planned, the same five again."""
    return WETNESS.get(year, WETNESS[LAST.year - ROTATION + 1 + (year - LAST.year - 1) % ROTATION])


def _later(seasons: list[Season], until: date) -> list[Season]:
    """Return the seasons after those on record: the same crops and days, a rotation later."""
    by_year = {season.harvested.year: season for season in seasons}
    later = []
    for year in range(LAST.year + 1, until.year + 1):
        turns = -(-(year - LAST.year) // ROTATION)
        old = by_year[year - turns * ROTATION]
        ahead = year - old.harvested.year
        days = (day.replace(year=day.year + ahead) for day in (old.seeded, old.harvested))
        later.append(Season(old.crop, *days))
    return later


def _lifted(probe: dict[str, Any], seasons: list[Season]) -> list[Lift]:
    """Return a probe's lifts for seeding and harvest after LAST; its last spell is cut there."""
    lifts = []
    for season in (s for s in seasons if s.harvested > LAST):
        for day, back in ((season.seeded, 8), (season.harvested, 7)):
            lifts.append(Lift(probe["name"], day - timedelta(days=1), day + timedelta(days=back)))
    for lift in lifts:
        *before, last = probe["spells"]
        probe["spells"] = [
            *before,
            last | {"to": lift.out - timedelta(days=1)},
            last | {"from": lift.back + timedelta(days=1)},
        ]
    return lifts


def plan(until: date = LAST) -> Plan:
    """Read the plan from the room's files, and carry it on to ``until`` (see ``horizon``)."""
    farm = tomllib.loads((ROOM / "farm.toml").read_text(encoding="utf-8"))
    fields = tuple(row["field"] for row in _rows("fields"))
    seasons: dict[str, list[Season]] = {field: [] for field in fields}
    for row in _rows("seasons"):
        seasons[row["field"]].append(
            Season(
                row["crop"],
                date.fromisoformat(row["seeded"]),
                date.fromisoformat(row["harvested"]),
            )
        )
    seasons = {field: known + _later(known, until) for field, known in seasons.items()}
    lifts = [
        lift
        for probe in farm["probes"]
        for lift in _lifted(probe, seasons[probe["spells"][0]["field"]])
    ]
    operations = tuple(
        Operation(row["field"], row["strip"], date.fromisoformat(row["day"]), row["practice"])
        for row in _rows("operations")
    )
    return Plan(
        fields,
        seasons,
        operations,
        {station["name"]: station for station in farm["stations"]},
        {probe["name"]: probe for probe in farm["probes"]},
        tuple(lifts),
        (until - FIRST).days + 1,
    )
