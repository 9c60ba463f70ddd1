"""An invented yield map of two strips with known yields and known faults."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from tests.transforms.frames import rows

LATITUDE, LONGITUDE = 49.9, -98.2
M_A_DEGREE = (111_320 * np.cos(np.radians(LATITUDE)), 111_230.0)  # near enough for a field
WIDTH, LENGTH = 9.0, 800.0
TREATED, CHECK = 3700.0, 3400.0
MOISTURE = 13.0

SEASON = rows(
    "season",
    [
        {
            "field": "North",
            "season": 2021,
            "crop": "spring wheat",
            "seeded": date(2021, 5, 1),
            "harvested": date(2021, 9, 1),
        }
    ],
)
CROP = rows(
    "crop",
    [
        {
            "crop": "spring wheat",
            "base_temp_c": 0.0,
            "upper_temp_c": 35.0,
            "bushel_kg": 27.21554,
            "market_moisture_pct": 14.5,
        }
    ],
)


def degrees(east: float, north: float) -> tuple[float, float]:
    """Longitude and latitude of a place in metres from the field's corner."""
    return LONGITUDE + east / M_A_DEGREE[0], LATITUDE + north / M_A_DEGREE[1]


def box(west: float, east: float) -> str:
    corners = [(west, 0), (east, 0), (east, LENGTH), (west, LENGTH), (west, 0)]
    return "POLYGON ((" + ", ".join("{:.9f} {:.9f}".format(*degrees(*c)) for c in corners) + "))"


OUTLINES = rows(
    "strip_outline",
    [
        {"field": "North", "strip": "treated", "outline": box(0, 4 * WIDTH)},
        {"field": "North", "strip": "check", "outline": box(4 * WIDTH, 8 * WIDTH)},
    ],
)


def points(
    seed: int = 1, spikes: float = 0.0, noise: float = 120.0, **changes: Any
) -> pl.DataFrame:
    """Eight passes up and down, west to east, a point a second and 2 m; four in each strip.

    Yield at market moisture is the strip's truth plus an autoregressive series; outside the strips
    the machine is filling or emptying. ``spikes`` is the share of points three times too high.
    """
    rng = np.random.default_rng(seed)
    clock = datetime(2021, 8, 28, 15, tzinfo=UTC)
    found = []
    for k in range(8):
        norths = np.arange(-30, LENGTH + 30, 2.0)[:: -1 if k % 2 else 1]
        error = 0.0
        for north in norths:
            error = 0.8 * error + rng.normal(0, noise) if noise else 0.0
            truth = (TREATED if k < 4 else CHECK) + error
            if not 0 < north < LENGTH:
                truth = 0.0
            if spikes and rng.random() < spikes:
                truth *= 3
            clock += timedelta(seconds=1)
            lon, lat = degrees(WIDTH * (k + 0.5) + rng.normal(0, 0.1), north)
            found.append(
                {
                    "field": "North",
                    "season": 2021,
                    "map_file": "north 2021",
                    "point": len(found) + 1,
                    "time": clock,
                    "latitude_deg": lat,
                    "longitude_deg": lon,
                    "yield_kg_ha": truth * (100 - 14.5) / (100 - MOISTURE),
                    "moisture_pct": MOISTURE,
                    "width_m": WIDTH,
                    "speed_km_h": 7.2,
                    **changes,
                }
            )
        clock += timedelta(seconds=40)
    return rows("yield_point", found)
