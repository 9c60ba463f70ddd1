"""Two invented fields over two seasons, as the tables that others are made from by parts."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import duckdb
import numpy as np
import polars as pl

from flows.store import warehouse
from schemas.catalogue import TABLES
from tests.flows import invented
from tests.flows.invented import frame

Tables = dict[str, pl.DataFrame]

MADE = (
    "comparison",
    "soil_quality_day",
    "sensor_run",
    "soil_step",
    "soil_offset",
    "soil_month",
    "soil_wetting",
    "soil_limit",
    "soil_water_day",
    "evaporation_bare",
    "evaporation_seen",
    "drawdown_day",
    "root_arrival",
    "root_front_day",
    "root_lead",
    "drawdown_season",
    "profile_water_day",
)
FIELDS, DEPTHS = ("Far", "Home"), (20.0, 50.0)
FIRST, DAYS = date(2022, 4, 20), 480


def tables() -> Tables:
    """Two fields of two strips, two seasons; a probe in each strip; a crop that draws water."""
    days = [FIRST + timedelta(days=n) for n in range(DAYS)]
    strips = [(field, side) for field in FIELDS for side in ("treated", "check")]
    soil, weather, demand = [], [], []
    for field, side in strips:
        rng = np.random.default_rng([len(field), len(side)])
        for depth in DEPTHS:
            drawn = np.zeros(DAYS)
            for seeded in (21, 386):  # days after the first
                start = seeded + 15 + int(depth / 2) + (6 if side == "check" else 0)
                drawn[start : seeded + 100] = 0.25
            fills = np.where(np.arange(DAYS) == 250, -drawn[:250].sum(), 0)
            water = 38 - np.cumsum(drawn + fills) + rng.normal(0, 0.03, DAYS)
            soil += [
                {
                    "probe": f"{field} {side}",
                    "depth_cm": depth,
                    "day": day,
                    "field": field,
                    "strip": side,
                    **{f"vwc_{n}_pct": value for n in ("mean", "min", "max", "last")},
                    "vwc_coverage": 1.0,
                    "readings": 1,
                    "partial": False,
                }
                for day, value in zip(days, water, strict=True)
            ]
        place = {"station": f"{field} {side}", "field": field, "strip": side}
        for day in days:
            weather.append(
                {
                    **place,
                    "day": day,
                    "air_temp_mean_c": 18.0,
                    "rain_mm": 0.0,
                    "rain_coverage": 1.0,
                    "rain_doubtful": False,
                    "gauge_lost": False,
                }
            )
            demand.append(
                {
                    **place,
                    "day": day,
                    "reference_et_mm": 5.0,
                    "basal_et_mm": 4.0,
                    "layer_evaporation_mm": 0.2,
                }
            )

    def of(name: str, rows: list[dict[str, Any]]) -> pl.DataFrame:
        names = TABLES[name].names
        return frame(name, [{k: v for k, v in row.items() if k in names} for row in rows])

    return {
        "farm": invented.setup()["farm"],
        "field": frame("field", [{"field": f, "practice": "deep tillage"} for f in FIELDS]),
        "strip": frame("strip", [{"field": f, "strip": s} for f, s in strips]),
        "season": frame(
            "season",
            [
                {
                    "field": f,
                    "season": year,
                    "crop": "spring wheat",
                    "seeded": date(year, 5, 11),
                    "harvested": date(year, 8, 28) if year == 2022 else None,
                }
                for f in FIELDS
                for year in (2022, 2023)
            ],
        ),
        "station_spell": frame(
            "station_spell",
            [{"station": f"{f} {s}", "from_day": FIRST, "field": f, "strip": s} for f, s in strips],
        ),
        "probe_spell": frame(
            "probe_spell",
            [{"probe": f"{f} {s}", "from_day": FIRST, "field": f, "strip": s} for f, s in strips],
        ),
        "sensor": frame(
            "sensor",
            [{"probe": f"{f} {s}", "depth_cm": d} for f, s in strips for d in DEPTHS],
        ),
        "soil_day": of("soil_day", soil),
        "weather_used_day": of("weather_used_day", weather),
        "evaporation_day": of("evaporation_day", demand),
        "evapotranspiration_day": of("evapotranspiration_day", demand),
    }


def put(con: duckdb.DuckDBPyConnection, given: Tables) -> None:
    for name, rows in given.items():
        warehouse.replace(con, TABLES[name], rows.sort(TABLES[name].key))
