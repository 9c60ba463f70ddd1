"""Two stations and a probe beside each other, and what health makes of them."""

import inspect
from collections.abc import Container
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms.frames import check, farm, made_by, rows
from transforms.health import sensor_run, station_health
from transforms.methods.penman import extraterrestrial

FIRST, N = date(2023, 4, 1), 540
DAYS = [FIRST + timedelta(days=i) for i in range(N)]
LAST = DAYS[-1]
SIDES = ("treated", "check")
DEPTHS = (10.0, 30.0, 50.0)
PROBE = {"probe": "p", "field": "a", "strip": "check"}
COVERED = ("air_temp", "humidity", "rain", "wind", "solar")
TOP = pl.select(
    extraterrestrial(pl.lit(50.0), pl.Series(DAYS).dt.ordinal_day().cast(float))
).to_series()
USUAL = {
    "field": "a",
    "air_temp_min_c": 8.0,
    "air_temp_max_c": 22.0,
    "relative_humidity_min_pct": 40.0,
    "relative_humidity_max_pct": 90.0,
    "wind_speed_mean_m_s": 3.0,
    "readings": 96,
    "air_pressure_mean_kpa": None,
    **{f"{quantity}_coverage": 1.0 for quantity in COVERED},
}


def weather(**changes: Any) -> pl.DataFrame:
    """Two stations side by side; ``changes`` give column: function(strip, i, value)."""
    rng = np.random.default_rng(3)
    fallen = np.where(rng.random(N) < 0.4, rng.gamma(1.0, 9.0, N), 0.0)
    noise = rng.normal(0, 0.02, (2, N))
    out = []
    for s, strip in enumerate(SIDES):
        for i, day in enumerate(DAYS):
            row: dict[str, Any] = {
                **USUAL,
                "station": strip,
                "strip": strip,
                "day": day,
                "air_temp_mean_c": 15 + noise[s, i],
                "relative_humidity_mean_pct": 60 + 10 * noise[s, i],
                "rain_mm": float(fallen[i] * (1 + noise[s, i])),
                "solar_energy_mj_m2": float(TOP[i]) * (0.7 + noise[s, i]),
                "battery_min_v": 12.6 + 0.2 * np.cos(i / 58) + noise[s, i],
            }
            kept = True
            for column, change in changes.items():
                if column == "drop":
                    kept &= not change(strip, i)
                else:
                    row[column] = change(strip, i, row[column])
            if kept:
                out.append(row)
    return rows("weather_day", out)


def soil(change: Any = lambda depth, i, v: v) -> pl.DataFrame:
    rng = np.random.default_rng(5)
    return rows(
        "soil_day",
        [
            {
                "depth_cm": depth,
                "day": day,
                "vwc_mean_pct": change(depth, i, 20 + depth / 5 + rng.normal(0, 0.05)),
            }
            for depth in DEPTHS
            for i, day in enumerate(DAYS)
        ],
        **PROBE,
        soil_temp_min_c=12.0,
        vwc_coverage=1.0,
        readings=24,
    )


def quality(stuck: Container[int] = (), impossible: Container[int] = ()) -> pl.DataFrame:
    return rows(
        "soil_quality_day",
        [
            {
                "day": day,
                "stuck": i in stuck,
                "impossible": None if i in stuck else i in impossible,
            }
            for i, day in enumerate(DAYS)
        ],
        probe="p",
        depth_cm=30.0,
        quality="good",
        usable=True,
    )


def used(reported: pl.DataFrame) -> pl.DataFrame:
    """``weather_used_day`` of stations that nothing is wrong with."""
    table = TABLES["weather_used_day"]
    columns = [name for name in table.names if name in reported.columns]
    good = {"rain_doubtful": pl.lit(False), "gauge_lost": pl.lit(False)}
    return generated.conform(reported.select(columns).with_columns(**good), table)


def health(**given: pl.DataFrame) -> pl.DataFrame:
    names = (
        *("delivery", "delivery_instrument", "quarantine", "sun_day", "normal_day"),
        *("flagged_reading", "do_not_use", "irrigation_day", "water_meter_day"),
    )
    reported = given.get("weather_day", weather())
    frame = made(
        {
            "weather_day": reported,
            "weather_used_day": used(reported),
            "soil_day": soil(),
            "soil_quality_day": quality(),
            "farm": farm(),
            "station_spell": rows(
                "station_spell",
                [{"station": s, "from_day": FIRST, "field": "a", "strip": s} for s in SIDES],
            ),
            "probe_spell": rows(
                "probe_spell",
                [{"probe": "p", "from_day": FIRST, "field": "a", "strip": "check"}],
            ),
            "sensor": rows("sensor", [{"probe": "p", "depth_cm": d} for d in DEPTHS]),
            **{name: generated.empty(TABLES[name]) for name in names},
            **given,
        },
    )
    check(frame, "station_health")
    return frame


def made(tables: dict[str, pl.DataFrame]) -> pl.DataFrame:
    """What health makes of tables, by way of the runs of their sensors."""
    for formula in (sensor_run, station_health):
        own = inspect.signature(formula.derive).parameters
        tables |= {formula.TABLE.name: made_by(formula, **{name: tables[name] for name in own})}
    return tables["station_health"]


def found(frame: pl.DataFrame) -> list[tuple[str, str, str, date, date, bool]]:
    return (
        frame.filter(pl.col("state") == "found")
        .select("instrument", "part", "finding", "from_day", "to_day", "current")
        .rows()
    )


def day(i: int) -> date:
    return DAYS[i]


def received(day: date) -> dict[str, pl.DataFrame]:
    """A file that came on that day, of nothing that counts."""
    at = datetime(day.year, day.month, day.day, 12, tzinfo=UTC)
    return {"delivery": rows("delivery", [{"delivery": "x", "sequence": 1, "received_at": at}])}


def of(frame: pl.DataFrame, finding: str) -> list[tuple[str, str, date, date]]:
    return [(f[0], f[1], f[3], f[4]) for f in found(frame) if f[2] == finding]
