"""A station's rain, its normals and its seasons, for the tests of rain against normal."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import polars as pl

from tests.transforms import frames
from transforms.weather import normal_day, weather_used_day

SPELL = frames.rows(
    "station_spell",
    [
        {
            "station": "a",
            "from_day": date(2023, 1, 1),
            "field": "north",
            "strip": "check",
            "gauge_heated": False,
        }
    ],
)
# Normals of 1 mm a day in a common year.
LENGTHS = [31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31]


def flat_normals(mm: float = 1.0) -> pl.DataFrame:
    months = frames.rows(
        "normal_month",
        [
            {"month": m, "rain_mm": mm * LENGTHS[m - 1], "coverage": 1.0, "partial": False}
            for m in range(1, 13)
        ],
    )
    return normal_day.derive(months)


NORMALS = flat_normals()
SEASONS = frames.rows(
    "season",
    [
        {
            "field": "north",
            "season": 2023,
            "crop": "barley",
            "seeded": date(2023, 5, 10),
            "harvested": date(2023, 8, 20),
        },
        {"field": "north", "season": 2024, "crop": "winter wheat", "seeded": date(2023, 9, 15)},
    ],
)


def weather(
    days: list[date], rain: Callable[[date], float | None] | float = 1.0, **columns: Any
) -> list[dict[str, Any]]:
    items = []
    for day in days:
        mm = rain(day) if callable(rain) else rain
        given = {k: v(day) if callable(v) else v for k, v in columns.items()}
        base: dict[str, Any] = {"station": "a", "day": day, "rain_mm": mm, "rain_coverage": 0.0}
        if mm is not None:
            base |= {"rain_coverage": 1.0, "rain_since_day": day}
        items.append(base | given)
    return items


def used(
    items: list[dict[str, Any]] | pl.DataFrame,
    spells: pl.DataFrame = SPELL,
    normals: pl.DataFrame = NORMALS,
    gauge: list[dict[str, Any]] | None = None,
    **farm: Any,
) -> pl.DataFrame:
    """``weather_used_day`` of rows of ``weather_day`` and readings by hand."""
    days = items if isinstance(items, pl.DataFrame) else frames.rows("weather_day", items)
    found = weather_used_day.derive(
        weather_day=days,
        station_spell=spells,
        station_field=frames.rows("station_field", []),
        field=frames.rows("field", [{"field": "north"}]),
        gauge=frames.rows("gauge", gauge or []),
        normal_day=normals,
        delivery=frames.rows("delivery", [{"received_at": frames.utc("2024-12-31 12:00")}]),
        farm=frames.farm(**farm),
    )
    frames.check(found, "weather_used_day")
    return found
