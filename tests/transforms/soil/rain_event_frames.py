"""A storm over two strips with known water, for the tests of rain events."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, timedelta
from typing import Any

import polars as pl

from tests.transforms import frames, soil_frames
from transforms.soil import rain_event, rain_event_layer

FIRST = date(2024, 5, 1)
DAYS = frames.days("2024-05-01", 40)
FARM = {"event_gap_h": 6.0, "event_least_mm": 5.0}
RAIN_DAY = date(2024, 5, 10)


def at(day: int, hour: float) -> datetime:
    return frames.utc(f"2024-05-{day:02d} 00:00") + timedelta(hours=hour)


def spells(
    *items: tuple[datetime, float, float], station: str = "T", step_h: float = 1.0
) -> list[dict[str, Any]]:
    """Spells from start, length in hours, mm."""
    return [
        {
            "station": station,
            "day": began.date(),
            "began": began,
            "ended": began + timedelta(hours=length),
            "rain_mm": mm,
            "step_h": step_h,
        }
        for began, length, mm in items
    ]


def weather(station: str = "T", **change: Any) -> list[dict[str, Any]]:
    strip = {"T": "treated", "C": "check"}[station]
    return [
        {
            "station": station,
            "field": "f",
            "strip": strip,
            "day": day,
            "rain_coverage": 1.0,
            "air_temp_mean_c": 15.0,
            **change,
        }
        for day in DAYS
    ]


def steps(before: float, *after: float) -> dict[date, tuple[float, float] | None]:
    """Water steady at ``before`` until RAIN_DAY, then the day closes of ``after``, the last kept."""
    found: dict[date, tuple[float, float] | None] = {}
    for day in DAYS:
        n = (day - RAIN_DAY).days
        last = before if n < 0 else after[min(n, len(after) - 1)]
        # The mean of a day is not what its balance needs: put something else there.
        found[day] = (last - 0.7, last)
    return found


# 20 mm of rain: treated gains 10 + 6 + 0 mm in its layers by the close of the day after, check 10.
WATER: dict[tuple[str, float], Mapping[date, tuple[float, float] | None]] = {
    ("treated", 10.0): steps(20, 26, 25, 24),
    ("treated", 30.0): steps(25, 27, 28, 28),
    ("treated", 60.0): steps(30, 30, 30, 30),
    ("check", 10.0): steps(20, 25, 24, 23),
    ("check", 30.0): steps(25, 25, 26, 26),
    ("check", 60.0): steps(30, 30, 30, 30),
}
STORM = (at(10, 13), 4.0, 20.0)


def evaporation(lacks: Mapping[int, float]) -> pl.DataFrame:
    """What the evaporation layer lacked at the close of days of May."""
    return frames.rows(
        "evaporation_day",
        [
            {"station": "T", "field": "f", "day": date(2024, 5, day), "surface_depletion_mm": mm}
            for day, mm in lacks.items()
        ],
    )


def derive(
    rain: list[dict[str, Any]],
    days: list[dict[str, Any]] | None = None,
    water: Mapping[tuple[str, float], Mapping[date, tuple[float, float] | None]] | None = None,
    quality: list[dict[str, Any]] | None = None,
    *,
    readings: int = 24,
    lacks: Mapping[int, float] | None = None,
    irrigated: Mapping[date, float | None] | None = None,
    irrigated_strips: tuple[str, ...] = ("treated", "check"),
    **rules: Any,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    soil_water, soil_day = soil_frames.records(WATER if water is None else water, readings=readings)
    farm = frames.farm(**(FARM | rules))
    season = [{"field": "f", "season": 2024, "crop": "wheat", "seeded": date(2024, 5, 5)}]
    event = rain_event.derive(
        rain_spell=frames.rows("rain_spell", rain),
        weather_used_day=frames.rows(
            "weather_used_day",
            [
                {"rain_from": row["station"], **row}
                for row in ([*weather("T"), *weather("C")] if days is None else days)
            ],
        ),
        soil_water_day=soil_water,
        soil_quality_day=frames.rows("soil_quality_day", quality or []),
        soil_day=soil_day,
        irrigation_day=frames.irrigation(irrigated, irrigated_strips),
        evaporation_day=(surface := evaporation(lacks or {})),
        season=frames.rows("season", season),
        farm=farm,
    )
    layer = rain_event_layer.derive(event, soil_water, soil_day, surface, farm)
    frames.check(event, "rain_event")
    frames.check(layer, "rain_event_layer")
    return event, layer


def both(*items: tuple[datetime, float, float], step_h: float = 1.0) -> list[dict[str, Any]]:
    return spells(*items, station="T", step_h=step_h) + spells(*items, station="C", step_h=step_h)


def strips(event: pl.DataFrame) -> dict[str, dict[str, Any]]:
    return {row["strip"]: row for row in event.iter_rows(named=True)}
