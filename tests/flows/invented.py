from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import duckdb
import numpy as np
import polars as pl

from flows.derive import waiting_days
from flows.farm.folder import FarmFolder
from flows.store import migrate, warehouse
from schemas import generated
from schemas.catalogue import TABLES
from transforms.methods import calendar_day

FARM = {
    "farm": "Invented Farm",
    "latitude_deg": 49.5,
    "longitude_deg": -98.0,
    "elevation_m": 250.0,
    "time_zone": "America/Winnipeg",
    "standard_offset_h": -6.0,
    "day_starts_h": 0.0,
    "currency": "CAD",
    "units": "canada",
    "normal_from": 1991,
    "normal_to": 2020,
    "trace_threshold_mm": 0.2,
}
FIRST = date(2024, 4, 1)


def frame(name: str, rows: list[dict]) -> pl.DataFrame:
    table = TABLES[name]
    given = pl.DataFrame(rows, infer_schema_length=None) if rows else generated.empty(table)
    return generated.conform(given, table).sort(table.key)


def setup() -> dict[str, pl.DataFrame]:
    sides = {"treated": "T", "check": "C"}
    return {
        "farm": frame("farm", [{**FARM, "event_gap_h": 6.0, "event_least_mm": 5.0}]),
        "field": frame("field", [{"field": "Home", "practice": "deep tillage", "area_ha": 64.0}]),
        "strip": frame("strip", [{"field": "Home", "strip": side} for side in sides]),
        "season": frame(
            "season",
            [
                {
                    "field": "Home",
                    "season": 2024,
                    "crop": "spring wheat",
                    "seeded": date(2024, 5, 1),
                    "harvested": date(2024, 8, 30),
                }
            ],
        ),
        "station_spell": frame(
            "station_spell",
            [
                {
                    "station": f"station {letter}",
                    "from_day": FIRST,
                    "field": "Home",
                    "strip": side,
                    "wind_height_m": 2.0,
                    "gauge_heated": False,
                }
                for side, letter in sides.items()
            ],
        ),
        "probe_spell": frame(
            "probe_spell",
            [
                {"probe": f"probe {letter}", "from_day": FIRST, "field": "Home", "strip": side}
                for side, letter in sides.items()
            ],
        ),
        "sensor": frame(
            "sensor",
            [
                {"probe": f"probe {letter}", "depth_cm": depth}
                for letter in sides.values()
                for depth in (10.0, 40.0, 70.0)
            ],
        ),
        "crop": frame(
            "crop",
            [
                {
                    "crop": "spring wheat",
                    "base_temp_c": 0.0,
                    "upper_temp_c": 30.0,
                    "bushel_kg": 27.2155,
                }
            ],
        ),
    }


def times(days: int, first: date, step_h: int) -> list[datetime]:
    start = datetime(first.year, first.month, first.day, 6, tzinfo=UTC)
    return [start + timedelta(hours=step_h * (i + 1)) for i in range(days * 24 // step_h)]


def weather(
    station: str, days: int, first: date = FIRST, *, seed: int = 1, step_h: int = 1
) -> pl.DataFrame:
    """Hourly weather with a running rain total that starts anew after 25.4 mm."""
    stamps = times(days, first, step_h)
    rng = np.random.default_rng(seed)
    rain = np.where(rng.random(len(stamps)) < 0.05, rng.integers(1, 30, len(stamps)) * 0.2, 0.0)
    return generated.conform(
        pl.DataFrame(
            {
                "station": station,
                "time": stamps,
                "interval_s": 3600.0 * step_h,
                "air_temp_c": 12.0 + 8.0 * np.sin(np.arange(len(stamps)) * step_h * np.pi / 12),
                "relative_humidity_pct": 60.0 + rng.normal(0, 5, len(stamps)),
                "rain_counter_mm": np.mod(np.round(np.cumsum(rain), 1), 25.4),
                "rain_counter_rolls_at_mm": 25.4,
                "battery_v": 12.6,
                "delivery": "invented",
            }
        ),
        TABLES["weather_reading"],
    )


def soil(probe: str, days: int, first: date = FIRST, *, step_h: int = 1) -> pl.DataFrame:
    stamps = times(days, first, step_h)
    hours = np.arange(len(stamps)) * step_h
    return pl.concat(
        generated.conform(
            pl.DataFrame(
                {
                    "probe": probe,
                    "depth_cm": depth,
                    "time": stamps,
                    "interval_s": 3600.0 * step_h,
                    "vwc_pct": 38.0 - hours / 24 * 0.15 * 20 / (10 + depth),
                    "soil_temp_c": 9.0,
                    "delivery": "invented",
                }
            ),
            TABLES["soil_reading"],
        )
        for depth in (10.0, 40.0, 70.0)
    )


def readings(days: int, first: date = FIRST, step_h: int = 1) -> dict[str, pl.DataFrame]:
    return {
        "weather_reading": pl.concat(
            weather(f"station {letter}", days, first, seed=seed, step_h=step_h)
            for seed, letter in enumerate("TC")
        ),
        "soil_reading": pl.concat(
            soil(f"probe {letter}", days, first, step_h=step_h) for letter in "TC"
        ),
    }


def put_setup(con: duckdb.DuckDBPyConnection, tables: dict[str, pl.DataFrame]) -> None:
    with warehouse.transaction(con):
        for name, rows in tables.items():
            warehouse.replace(con, TABLES[name], rows)


def scratch() -> duckdb.DuckDBPyConnection:
    """A warehouse in memory with the invented set-up."""
    con = duckdb.connect()
    con.execute("SET TimeZone = 'UTC'")
    migrate.bring_up(con)
    put_setup(con, setup())
    return con


def put(con: duckdb.DuckDBPyConnection, tables: dict[str, pl.DataFrame]) -> None:
    """Readings and their touched days, as the landing writes them."""
    farm = warehouse.read(con, TABLES["farm"])
    with warehouse.transaction(con):
        for name, rows in tables.items():
            kind = TABLES[name].key[0]
            warehouse.append(con, TABLES[name], rows)
            days = rows.select(
                pl.col(kind).alias("instrument"),
                pl.lit(kind).alias("kind"),
                calendar_day.day_of(pl.col("time"), farm).alias("day"),
            )
            waiting_days.touch(con, days.unique())


def folder_at(path: Path) -> FarmFolder:
    folder = FarmFolder(path / "farm")
    folder.root.mkdir()
    folder.make()
    folder.farm_toml.write_text("# invented\n")
    return folder
