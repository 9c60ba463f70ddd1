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
HOSTILE_NAME = '<script>alert("x")</script> & "Söhne" $x_1$'


class MemoryTables(Tables):
    """Tables held in memory, as if they were read from a published copy."""

    def __init__(self, frames: Mapping[str, pl.DataFrame]) -> None:
        self._frames = {name: frames.get(name, generated.empty(TABLES[name])) for name in TABLES}

    def changed(self, change: Callable[[pl.DataFrame], pl.DataFrame], *names: str) -> MemoryTables:
        """The same with some tables changed, or all of them if none is named."""
        changed = {name: change(self._frames[name]) for name in names or self._frames}
        return MemoryTables({**self._frames, **changed})

    def without(self, *names: str) -> MemoryTables:
        """The same with no rows in these tables."""
        return self.changed(lambda frame: frame.head(0), *names)

    def with_rows(self, name: str, *rows: Mapping[str, Any]) -> MemoryTables:
        """The same with these rows in place of a table's own; columns left out are null."""
        frame = invented.frame(name, [dict(row) for row in rows])
        return MemoryTables({**self._frames, name: frame})

    def with_field_named(self, name: str) -> MemoryTables:
        """The same with another name for the field."""
        renamed = pl.col("field").replace({"Home": name})
        return self.changed(lambda f: f.with_columns(renamed) if "field" in f.columns else f)

    def with_many(self, fields: int, seasons: int) -> MemoryTables:
        """The same farm with its field and season repeated: as many fields, each with as many seasons."""
        return MemoryTables(
            {name: _repeated(frame, fields, seasons) for name, frame in self._frames.items()}
        )


def _repeated(frame: pl.DataFrame, fields: int, seasons: int) -> pl.DataFrame:
    """Repeat the rows of a frame under other names of the field, and of a season in earlier years."""
    if "season" in frame.columns:
        days = [name for name, kind in frame.schema.items() if kind == pl.Date]
        frame = pl.concat(
            frame.with_columns(
                pl.col("season") - back,
                *(pl.col(day).dt.offset_by(f"-{back}y") for day in days if day != "operation_day"),
            )
            for back in (range(seasons) if "field" in frame.columns else (0,))
        )
    if "field" not in frame.columns:
        return frame
    return pl.concat(
        frame.with_columns(field=pl.col("field").replace("Home", f"Home {number}"))
        for number in range(1, fields + 1)
    )


def publish_small_farm(path: Path) -> FarmFolder:
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
    harvest = {
        "field": "Home",
        "season": 2024,
        "day": date(2024, 8, 30),
        "method": "scale wagon",
        "moisture_pct": 13.5,
        "left_out": False,
    }
    gain = {"treated": 250.0, "check": 0.0}
    passes = [
        harvest
        | {"strip": strip, "pass": str(i), "block": str(i)}
        | {"yield_kg_ha": 3300.0 + 40 * i + gain[strip] + rng.normal(0, 20)}
        for i in range(1, 5)
        for strip in gain
    ]
    work = {
        "field": "Home",
        "strip": "treated",
        "day": date(2023, 9, 20),
        "practice": "deep tillage",
        "depth_cm": 35.0,
        "contract_cost_per_ha": 80.0,
    }
    price = {
        "field": "Home",
        "crop": "spring wheat",
        "season": 2024,
        "price_per_kg": 0.25,
        "price_as_written": "250 CAD/t",
    }
    normals = [{"month": m, "rain_mm": 20.0 + 4 * m, "years": 30} for m in range(1, 13)]
    stages = {"initial": 20, "development": 30, "mid": 50, "late": 30}
    crop = (
        {"crop": "spring wheat", "bushel_kg": 27.2155, "market_moisture_pct": 14.5}
        | {"base_temp_c": 0.0, "upper_temp_c": 30.0}
        | {"kc_ini": 0.3, "kc_mid": 1.15, "kc_end": 0.25}
        | {f"stage_{stage}_d": days for stage, days in stages.items()}
    )
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
        return {name: tables(name) for name in TABLES if not name.endswith("_reading")}


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
