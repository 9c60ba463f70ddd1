"""An invented yield map of two strips with known yields and known faults."""

from __future__ import annotations

from collections.abc import Callable, Sequence
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
        {"field": "North", "strip": "treated", "part": 1, "outline": box(0, 4 * WIDTH)},
        {"field": "North", "strip": "check", "part": 1, "outline": box(4 * WIDTH, 8 * WIDTH)},
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


def driven(
    truth: Callable[[float, float], float],
    easts: Sequence[float],
    norths: tuple[float, float],
    *,
    lag_s: int = 0,
    noise: float = 100.0,
    seed: int = 1,
    turns: int = 0,
) -> pl.DataFrame:
    """Passes up and down at the places ``easts``, a point a second and 2 m, yields of ``truth``.

    ``truth``: yield at market moisture at a place east and north of the corner. ``lag_s``: the
    yield is written so many points after the combine cut it. ``turns``: points of a half circle
    driven with the header down between passes.
    """
    rng = np.random.default_rng(seed)
    clock = datetime(2021, 8, 28, 15, tzinfo=UTC)
    places: list[tuple[float, float, bool]] = []
    for k, east in enumerate(easts):
        way = np.arange(norths[0], norths[1], 2.0)[:: -1 if k % 2 else 1]
        places += [(east, float(north), north == way[0]) for north in way]
        if turns and k + 1 < len(easts):
            angle = np.pi * (np.arange(turns) + 1) / (turns + 1)
            middle, radius = (east + easts[k + 1]) / 2, (easts[k + 1] - east) / 2
            bow = 1 if k % 2 == 0 else -1
            places += [
                (middle - radius * np.cos(a), way[-1] + bow * radius * np.sin(a), False)
                for a in angle
            ]
    yields = [truth(east, north) + rng.normal(0, noise) for east, north, _ in places]
    found = []
    for at, (east, north, starts) in enumerate(places):
        clock += timedelta(seconds=1 if turns or not starts else 60)
        lon, lat = degrees(east, north)
        found.append(
            {
                "field": "North",
                "season": 2021,
                "map_file": "north 2021",
                "point": at + 1,
                "time": clock,
                "latitude_deg": lat,
                "longitude_deg": lon,
                "yield_kg_ha": yields[max(at - lag_s, 0)] * (100 - 14.5) / (100 - MOISTURE),
                "moisture_pct": MOISTURE,
                "width_m": WIDTH,
                "speed_km_h": 7.2,
            }
        )
    return rows("yield_point", found)


def outlines(
    *places: tuple[str, float, float, float, float], **also: Sequence[Any]
) -> pl.DataFrame:
    """Outlines as rectangles: strip, west, east, south, north [m from the corner].

    ``also``: other columns, a value for each.
    """
    return rows(
        "strip_outline",
        [
            {"field": "North", "strip": strip, "part": k + 1, "outline": rectangle(*sides)}
            | {name: values[k] for name, values in also.items()}
            for k, (strip, *sides) in enumerate(places)
        ],
    )


def rectangle(west: float, east: float, south: float, north: float) -> str:
    """Return a rectangle in meters from the corner as well-known text in degrees."""
    corners = [(west, south), (east, south), (east, north), (west, north), (west, south)]
    return "POLYGON ((" + ", ".join("{:.9f} {:.9f}".format(*degrees(*c)) for c in corners) + "))"
