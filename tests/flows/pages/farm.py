"""A small published warehouse of an invented farm, and its frames for changing in tests."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from flows.derive.derive import derive
from flows.farm.folder import FarmFolder
from flows.pages.published_tables import Tables
from flows.store import publish, query, warehouse
from schemas import generated
from schemas.catalogue import TABLES
from tests.flows import invented

WEEK_IN_SEASON = "2024-W26"
WEEK_OF_HARVEST = "2024-W35"
DAYS = 155


class Kept(Tables):
    """Tables held in memory, as if they were read from a published copy."""

    def __init__(self, frames: Mapping[str, pl.DataFrame]) -> None:
        self._kept = {name: frames.get(name, generated.empty(TABLES[name])) for name in TABLES}

    def changed(self, change: Callable[[str, pl.DataFrame], pl.DataFrame]) -> Kept:
        return Kept({name: change(name, frame) for name, frame in self._kept.items()})

    def with_rows(self, name: str, *rows: Mapping[str, Any]) -> Kept:
        """The same with these rows in place of a table's own; columns left out are null."""
        frame = invented.frame(name, [dict(row) for row in rows])
        return Kept({**self._kept, name: frame})


def lay(path: Path) -> FarmFolder:
    """A season of one field, derived and published."""
    folder = invented.folder_at(path)
    folder.farm_toml.write_text(FARM_TOML)
    with warehouse.open_writer(folder) as con:
        invented.put_setup(con, invented.setup() | book())
        invented.put(con, invented.readings(DAYS, step_h=6))
        derive(con)
    publish.publish(folder)
    return folder


def book() -> dict[str, pl.DataFrame]:
    rng = np.random.default_rng(4)
    passes = [
        {
            "field": "Home", "season": 2024, "strip": side, "pass": str(i), "block": str(i),
            "method": "scale wagon", "day": date(2024, 8, 30), "moisture_pct": 13.5,
            "yield_kg_ha": 3300.0 + 40 * i + (250.0 if side == "treated" else 0.0) + rng.normal(0, 20),
            "left_out": False,
        }
        for i in range(1, 5)
        for side in ("treated", "check")
    ]  # fmt: skip
    work = {
        "field": "Home", "strip": "treated", "day": date(2023, 9, 20), "practice": "deep tillage",
        "depth_cm": 35.0, "contract_cost_per_ha": 80.0,
    }  # fmt: skip
    price = {
        "field": "Home", "crop": "spring wheat", "season": 2024, "price_per_kg": 0.25,
        "price_as_written": "250 CAD/t",
    }  # fmt: skip
    normals = [{"month": m, "rain_mm": 20.0 + 4 * m, "years": 30} for m in range(1, 13)]
    crop = {
        "crop": "spring wheat", "base_temp_c": 0.0, "upper_temp_c": 30.0, "bushel_kg": 27.2155,
        "market_moisture_pct": 14.5, "kc_ini": 0.3, "kc_mid": 1.15, "kc_end": 0.25,
        "stage_initial_d": 20, "stage_development_d": 30, "stage_mid_d": 50, "stage_late_d": 30,
    }  # fmt: skip
    return {
        "harvest_pass": invented.frame("harvest_pass", passes),
        "operation": invented.frame("operation", [work]),
        "price": invented.frame("price", [price]),
        "normal_given": invented.frame("normal_given", normals),
        "crop": invented.frame("crop", [crop]),
    }


def frames(folder: FarmFolder) -> dict[str, pl.DataFrame]:
    with query.open_published(folder) as con:
        tables = Tables(con)
        return {name: tables(name) for name in TABLES if name not in ("weather_reading", "soil_reading")}  # fmt: skip


def monday(week: str) -> date:
    return date.fromisocalendar(int(week[:4]), int(week[-2:]), 1)


def days(first: date, number: int) -> list[date]:
    return [first + timedelta(days=i) for i in range(number)]


FARM_TOML = """
[farm]
name = "Invented Farm"
currency = "CAD"
units = "canada"

[place]
latitude = 49.5
longitude = -98.0
elevation_m = 250.0
time_zone = "America/Winnipeg"
"""


def datetime_in(week: str) -> datetime:
    return datetime.combine(monday(week) + timedelta(days=1), datetime.min.time(), UTC)
