"""The sheet of observations: water soaking in, roots in a pit, plants counted by hand.

Each is the truth of the simulation with what a ring, a tape and a counting frame stray by.
"""

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl

from demo_warehouse.simulator.crops import Season
from demo_warehouse.simulator.farm import Farm
from demo_warehouse.simulator.known import SIDES
from demo_warehouse.simulator.plan import FIRST, LAST

RINGS_EVERY = 2  # years; the others are busy
RINGS = 3  # places in a strip
SOAKS_MM_H = 26.0  # of the ground without a compacted layer; a full layer lets a fifth through
RING_CV = 0.25
PIT_DAY = 62  # after seeding in spring, when roots are on their way down
PLANTS_M2 = {"canola": 62, "pea": 78, "lentil": 110, "flax": 380, "barley": 215}
OTHER_PLANTS_M2 = 230
Row = dict[str, Any]


def sheet(rng: np.random.Generator, farm: Farm) -> dict[str, str]:
    """The CSV text of the sheet by file name. Later seasons have draws of their own."""
    (after,) = rng.spawn(1)
    rows: list[Row] = []
    for on_record, draw in ((True, rng), (False, after)):
        for field in farm.plan.fields:
            for season in farm.plan.seasons[field]:
                if (season.harvested <= LAST) is on_record:
                    rows += _of_season(draw, farm, field, season)
    columns = ("field", "strip", "day", "what", "place", "value", "unit", "notes")
    texts = [{name: _text(row.get(name)) for name in columns} for row in rows]
    return {
        "observations.csv": pl.DataFrame(
            texts, schema=dict.fromkeys(columns, pl.String)
        ).write_csv()
    }


def _of_season(rng: np.random.Generator, farm: Farm, field: str, season: Season) -> Iterator[Row]:
    """Yield a season's rows: plants in spring, rings every other year, a pit in one field a year."""
    winter = season.seeded.month > 7
    spring = date(season.harvested.year, 5, 6) if winter else season.seeded
    plants = PLANTS_M2.get(season.crop, OTHER_PLANTS_M2)
    for side in SIDES:
        hard = farm.hardness[:, farm.plan.strip(field, side)]
        counted = spring + timedelta(days=24)
        for place in (1, 2):
            number = rng.normal(plants, 0.08 * plants)
            yield _row(field, side, counted, "plant stand", place, number, "plants/m2")
        if season.harvested.year % RINGS_EVERY:
            day = spring + timedelta(days=33)
            soaks = SOAKS_MM_H * (1 - 0.8 * min(float(hard[(day - FIRST).days]), 1.0))
            for place in range(1, RINGS + 1):
                found = soaks * np.exp(rng.normal(0, RING_CV))
                yield _row(field, side, day, "infiltration", place, found, "mm/h")
        if farm.plan.fields[season.harvested.year % len(farm.plan.fields)] == field:
            day = spring + timedelta(days=PIT_DAY)
            front = farm.water.front_cm[(day - FIRST).days, farm.plan.strip(field, side)]
            deepest = max(float(front) + rng.normal(0, 4), 5.0)
            yield _row(
                field, side, day, "deepest roots", 1, deepest / 2.54, "in", "pit dug by hand"
            )


def _row(  # noqa: PLR0917
    field: str,
    side: str,
    day: date,
    what: str,
    place: int,
    value: float,
    unit: str,
    notes: str | None = None,
) -> Row:
    return {
        "field": field,
        "strip": side,
        "day": day,
        "what": what,
        "place": place,
        "value": f"{value:.3g}",
        "unit": unit,
        "notes": notes,
    }


def _text(value: object) -> str | None:
    return None if value is None else str(value)
