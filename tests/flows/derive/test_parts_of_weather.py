"""Tables of weather and water: each part alone is as among all, on a farm of odd years.

South of the equator, so that a year ends while crops stand and storms fall. Rain goes on over New
Year; a gauge stops for months, bridges a gap, or catches nothing for more than a year; a field has no station, one
no harvest; a season ends in the next year.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import duckdb
import numpy as np
import polars as pl
import pytest

from flows.derive.part_word import Word
from flows.store import migrate, warehouse
from schemas.catalogue import TABLES
from tests.flows import invented
from tests.flows.invented import frame
from tests.flows.parts_alone import METHODS, alone, made, settled
from transforms import order

Tables = dict[str, pl.DataFrame]
FIRST, LAST = date(2020, 6, 1), date(2024, 3, 20)
DAYS = [FIRST + timedelta(days=n) for n in range((LAST - FIRST).days + 1)]
SOIL = ("soil_water_day", "soil_quality_day", "soil_day", "drawdown_day", "profile_water_day")
MADE = (
    "comparison",
    "weather_used_day",
    "rain_day",
    "rain_month",
    "heat_day",
    "evapotranspiration_day",
    "irrigation_day",
    "evaporation_day",
    "weather_week",
    "rain_event",
    "rain_event_layer",
    "water_use_season",
    "drawdown_week",
    "stress_day",
    "measuring_day",
    "recharge_winter",
    "operation_fuel",
)
# Months beside a part that no row of this farm needs: seasons that overlap, an event in the first days
# of a year, a layer wetted before its crop, work before the probe was there.
NOT_NEEDED_HERE = {
    "recharge_winter": ("before", "after"),
    "rain_event_layer": ("before",),
    "water_use_season": ("before",),
    "operation_fuel": ("after",),
}
PARTED = [name for name in MADE if METHODS[name].part]
BRIDGED = (date(2021, 12, 26), date(2022, 1, 5))
# Snow that lies over New Year, on a day that was cold only in the week before.
SNOW = {(12, day) for day in range(25, 32)} | {(1, 1), (1, 2)}
STATIONS = {
    "H1": ("Home", "treated"),
    "H2": ("Home", "check"),
    "F": ("Far", None),
    "Yard": (None, None),
}
SEASONS = (
    ("Home", 2020, date(2020, 6, 5), date(2020, 12, 20)),
    ("Home", 2021, date(2021, 7, 1), date(2021, 12, 30)),
    ("Home", 2023, date(2022, 6, 10), date(2023, 1, 8)),
    ("Home", 2024, date(2023, 6, 1), None),
    ("Far", 2021, date(2021, 5, 20), None),  # no harvest, and no season after it
)


def setup() -> Tables:
    """Four stations of which one stands at no field and serves all, and a field without one."""
    fields = [
        {"field": f, "practice": "deep tillage", "soil_texture": t}
        for f, t in (("Home", "clay"), ("Far", "loam"), ("Shed", None))
    ]
    crop = {"crop": "wheat", "depletion_share": 0.5, "kc_ini": 0.3, "kc_mid": 1.15, "kc_end": 0.3}
    stages = zip(("initial", "development", "mid", "late"), (20, 40, 60, 40), strict=True)
    crop |= {f"stage_{name}_d": float(days) for name, days in stages}
    farm = invented.FARM | {"latitude_deg": -35.0, "standard_offset_h": 0.0}
    return {
        "farm": frame("farm", [{**farm, "event_gap_h": 6.0, "event_least_mm": 5.0}]),
        "field": frame("field", fields),
        "strip": frame(
            "strip", [{"field": f, "strip": s} for f in ("Home",) for s in ("treated", "check")]
        ),
        "season": frame(
            "season",
            [
                {"field": f, "season": y, "crop": "wheat", "seeded": s, "harvested": h}
                for f, y, s, h in SEASONS
            ],
        ),
        "crop": frame("crop", [{**crop, "base_temp_c": 0.0, "upper_temp_c": 35.0}]),
        "station_spell": frame(
            "station_spell",
            [
                {"station": s, "field": f, "strip": strip, "from_day": FIRST}
                for s, (f, strip) in STATIONS.items()
            ],
        ),
        "station_field": frame(
            "station_field", [{"station": "Yard", "field": "all", "from_day": FIRST, "listed": 1}]
        ),
        "probe_spell": frame(
            "probe_spell",
            [
                {"probe": s, "from_day": FIRST, "field": "Home", "strip": s}
                for s in ("treated", "check")
            ],
        ),
        "operation": frame(
            "operation",
            [
                {"field": "Home", "strip": "treated", "day": day, "practice": "deep tillage"}
                | {"depth_cm": 40.0}
                for day in (date(2020, 4, 1), date(2022, 1, 2), date(2023, 12, 29))
            ],
        ),
        "gauge": frame("gauge", [by_hand(date(y, 1, 2), 18.0) for y in (2021, 2023)]),
    }


def by_hand(day: date, mm: float) -> dict[str, Any]:
    """A reading at the field without a station, of the New Year's days."""
    return {"kind": "field", "place": "Shed", "read_day": day, "rain_mm": mm, "over_d": 4}


def rain() -> np.ndarray:
    """Rain of the farm by day, in mm: showers, and a wet fortnight about each New Year."""
    rng = np.random.default_rng(3)
    mm = np.where(rng.random(len(DAYS)) < 0.25, rng.gamma(1.2, 6.0, len(DAYS)), 0.0)
    for n, day in enumerate(DAYS):
        if (day.month, day.day) in {(12, 30), (12, 31), (1, 1), (1, 2), (1, 3)}:
            mm[n] = 9.0
        if date(2022, 11, 20) <= day <= date(2023, 5, 20):
            mm[n] = 6.0  # without a dry day: longer than any month
    return mm.round(1)


def weather() -> Tables:
    fell, rng = rain(), np.random.default_rng(5)
    days, spells = [], []
    for station, (field, strip) in STATIONS.items():
        for n, day in enumerate(DAYS):
            if station == "H2" and date(2021, 3, 5) <= day <= date(2021, 8, 20):
                continue  # out
            if station in {"H2", "Yard"} and BRIDGED[0] <= day <= BRIDGED[1]:
                continue
            mm = float(fell[n])
            since, coverage = day, 1.0
            if station == "F" and date(2022, 3, 1) <= day <= date(2023, 9, 1):
                mm = 0.0  # clogged for a year and a half
            if station == "H1" and BRIDGED[0] <= day <= BRIDGED[1]:
                since, coverage = BRIDGED[0], 0.0  # a total over harvest and New Year
                mm = 40.0
            bridged = coverage == 0 and day < BRIDGED[1]
            swing = 10 * np.cos((day.timetuple().tm_yday - 15) / 365 * 2 * np.pi)
            snows = n > 300 and (day.month, day.day) in SNOW
            mean = -4.0 if snows and day.month == 12 else 15.0 + swing + rng.normal(0, 2)
            days.append(
                {
                    "station": station,
                    "day": day,
                    "field": field,
                    "strip": strip,
                    "rain_mm": None if bridged else mm,
                    "rain_since_day": None if bridged else since,
                    "rain_coverage": coverage,
                    "snow_depth_cm": 10.0 if snows else None,
                    "air_temp_mean_c": mean,
                    "air_temp_min_c": mean - 6,
                    "air_temp_max_c": mean + 6,
                    "air_temp_coverage": 1.0,
                    "partial": False,
                }
            )
            begun = datetime(day.year, day.month, day.day, tzinfo=UTC) + timedelta(hours=2)
            spell = {"station": station, "day": day, "step_h": 1.0, "rain_mm": mm}
            if mm and coverage:
                spells.append({**spell, "began": begun, "ended": begun + timedelta(hours=19)})
    return {"weather_day": of("weather_day", days), "rain_spell": of("rain_spell", spells)}


def soil() -> Tables:
    """Two probes that rain fills and a crop empties, out for some days about each New Year."""
    fell, water, rows = rain(), 300.0, []
    for n, day in enumerate(DAYS):
        water = float(np.clip(water + 0.6 * fell[n] - 2.2, 180.0, 340.0))
        if (day.month == 12 and day.day > 29) or (day.month == 1 and day.day < 3):
            continue
        for place, strip in enumerate(("treated", "check")):
            for depth, top, bottom in ((20.0, 0.0, 35.0), (60.0, 35.0, 80.0)):
                pct = water / 10 - place + np.sin(n / 9 + depth)
                thick = 10 * (bottom - top)
                row = {"probe": strip, "depth_cm": depth, "day": day, "field": "Home"}
                row |= {"strip": strip, "vwc_pct": pct, "storage_mm": pct / 100 * thick}
                row |= {f"vwc_{name}_pct": pct for name in ("mean", "min", "max", "last")}
                row |= {"layer_top_cm": top, "layer_bottom_cm": bottom, "readings": 24}
                row |= {"drained_upper_limit_pct": 33.0, "drained_upper_limit_from": "given"}
                row |= {"vwc_coverage": 1.0, "quality": "good", "partial": False}
                row |= {"frozen": False, "may_be_frozen": False, "usable": True}
                row |= {"uptake_mm": 1.0 + place, "uptake_error_mm": 0.1, "both_strips": True}
                row |= {"against": "check" if strip == "treated" else "treated"}
                row |= {"season": standing(day), "water_mm": water, "depths": "20, 60"}
                row |= {"soil_depth_cm": 80.0, "available_water_share": (water - 180) / 160}
                rows.append(row)
    return {name: of(name, rows) for name in SOIL}


def standing(day: date) -> int | None:
    """The season that stands in the field of the probes."""
    found = [y for f, y, s, h in SEASONS if f == "Home" and s <= day <= (h or LAST)]
    return found[-1] if found else None


def of(name: str, rows: list[dict[str, Any]]) -> pl.DataFrame:
    names = TABLES[name].names
    kept = frame(name, [{k: v for k, v in row.items() if k in names} for row in rows])
    return kept.unique(TABLES[name].key, maintain_order=True)


@pytest.fixture(scope="module")
def con() -> duckdb.DuckDBPyConnection:
    """All tables, made whole one after the other."""
    opened = duckdb.connect()
    migrate.bring_up(opened)
    for name, rows in (setup() | weather() | soil()).items():
        warehouse.replace(opened, TABLES[name], rows.sort(TABLES[name].key))
    assert [name for name in order.DERIVED if name in MADE] == list(MADE)
    for name in MADE:
        given = {s: warehouse.read(opened, TABLES[s]) for s in METHODS[name].sources}
        warehouse.replace(opened, TABLES[name], settled(name, made(name, given)))
    return opened


@pytest.mark.parametrize("name", PARTED)
def test_each_part_alone_is_as_among_all(con: duckdb.DuckDBPyConnection, name: str) -> None:
    word, whole = METHODS[name].part, warehouse.read(con, TABLES[name])
    assert word is not None
    assert not whole.is_empty()
    assert alone(con, name, word)[0].equals(whole)
    narrow = {
        "before": Word(word.place, word.span, 0, word.months_after),
        "after": Word(word.place, word.span, word.months_before, 0),
    }
    for side, less in narrow.items():
        if less != word and side not in NOT_NEEDED_HERE.get(name, ()):
            assert not alone(con, name, less)[0].equals(whole), side
