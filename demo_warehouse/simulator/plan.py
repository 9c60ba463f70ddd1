"""The invented farm as its own files say it: fields, instruments, seasons, operations.

``farm.toml`` and the field book beside it are the one source; the rest that the simulator needs
(how wet the years are, how hard the pan is) stands here.
"""

import csv
import tomllib
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from demo_warehouse.simulator.crops import Season
from demo_warehouse.simulator.known import SIDES

ROOM = Path(__file__).resolve().parent.parent
FIRST = date(2020, 8, 1)
LAST = date(2025, 10, 31)
DAYS = (LAST - FIRST).days + 1

# Rain against normal by season (September before to August), chosen so that the five seasons show
# dry, wet and middling years.
WETNESS = {2020: 1.0, 2021: 0.65, 2022: 1.35, 2023: 0.75, 2024: 1.05, 2025: 0.85, 2026: 1.0}
PAN_CM = {"Windbreak": (20, 42), "Coulee": (22, 44), "Stonepile": (18, 40), "Gumbo": (20, 38)}
HARDNESS = {"Windbreak": 0.95, "Coulee": 0.85, "Stonepile": 1.0, "Gumbo": 0.6}
LOOSENED = {"deep tillage": 0.92, "gypsum": 0.20}  # share of the pan that one operation removes
SETTLES_YEARS = 3.4  # the loosened share falls to a third in this time of normal rain


@dataclass(frozen=True, slots=True)
class Operation:
    """One dated pass of a practice on a field's treated strip."""

    field: str
    day: date
    practice: str


@dataclass(frozen=True, slots=True)
class Plan:
    """The farm's fields with their seasons and operations, and the instruments of farm.toml."""

    fields: tuple[str, ...]
    seasons: dict[str, list[Season]]
    operations: tuple[Operation, ...]
    stations: dict[str, dict[str, Any]]
    probes: dict[str, dict[str, Any]]

    def strip(self, field: str, side: str) -> int:
        """The place of a strip in the simulator's arrays."""
        return 2 * self.fields.index(field) + SIDES.index(side)

    def probe_depths(self, name: str) -> tuple[float, ...]:
        """The depths of a probe's sensors in cm."""
        return tuple(float(s["depth_cm"]) for s in self.probes[name]["sensors"])


def _rows(name: str) -> list[dict[str, str]]:
    with (ROOM / "fieldbook" / f"{name}.csv").open(encoding="utf-8-sig", newline="") as lines:
        return list(csv.DictReader(lines))


def plan() -> Plan:
    """Read the plan from the room's files."""
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
    operations = tuple(
        Operation(row["field"], date.fromisoformat(row["day"]), row["practice"])
        for row in _rows("operations")
    )
    return Plan(
        fields,
        seasons,
        operations,
        {station["name"]: station for station in farm["stations"]},
        {probe["name"]: probe for probe in farm["probes"]},
    )
