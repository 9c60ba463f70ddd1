"""An irrigated season for the simulators: water that reaches the soil of a strip and no gauge."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import polars as pl

from demo_warehouse.simulator import judge, known
from demo_warehouse.simulator.forcing import Array, Forcing, Truth
from demo_warehouse.simulator.ground import Column
from schemas.catalogue import TABLES
from schemas.generated import conform

# A sprinkler passes over a strip in some hours of the night and the morning. Invented.
HOURS = range(2, 10)
Depths = Mapping[str, Mapping[date, float]]


def physics(run: judge.Physics, depths: Depths, year: int = 2023) -> judge.Physics:
    """Return the physics with ``depths`` (mm by strip and day) put on the strips of every site."""
    first = date(year - 1, 8, 1)

    def irrigated(column: Column, forcing: Forcing, start: Array) -> Truth:
        supply = forcing.supply_mm.copy()
        for place, side in enumerate(known.SIDES):
            for day, mm in depths.get(side, {}).items():
                at = (day - first).days * 24
                hours = np.arange(at + HOURS.start, at + HOURS.stop)
                supply[hours, place :: len(known.SIDES)] += mm / len(HOURS)
        return run(column, replace(forcing, supply_mm=supply), start)

    return irrigated


def sheet(field: str, depths: Depths) -> pl.DataFrame:
    """The rows of ``irrigation`` that a grower would have written down."""
    rows = [
        {"field": field, "strip": side, "day": day, "part": "1", "amount_mm": mm}
        for side, by_day in depths.items()
        for day, mm in by_day.items()
    ]
    return conform(pl.DataFrame(rows), TABLES["irrigation"])


def every(first: date, days: int, times: int, mm: float) -> dict[date, float]:
    """So many irrigations of one depth, ``days`` apart."""
    return {first + timedelta(days=i * days): mm for i in range(times)}
