from datetime import date, timedelta

import polars as pl
import pytest

from tests.transforms.frames import farm, rows
from transforms.methods import near

FROM = date(2024, 1, 1)


def spells(*stations: dict) -> pl.DataFrame:
    return rows("station_spell", stations, from_day=FROM)


def km(a: tuple[float, float], b: tuple[float, float]) -> float:
    value = near.distance_km(*(pl.lit(x) for x in (*a, *b)))
    return pl.select(value).item()


def test_distances_are_those_of_the_sphere() -> None:
    """A quarter of a great circle of 6,371 km; one degree of latitude; and the date line."""
    assert km((0, 0), (90, 0)) == pytest.approx(10007.5, abs=0.5)
    assert km((50, -100), (51, -100)) == pytest.approx(111.2, abs=0.1)
    assert km((10, 179.9), (10, -179.9)) == pytest.approx(km((10, 0), (10, 0.2)), abs=1e-6)


def test_neighbors_are_within_reach_nearest_first_and_those_without_a_field_too() -> None:
    stations = spells(
        {"station": "here", "field": "a", "strip": "treated"},
        {"station": "beside", "field": "a", "strip": "check"},
        {"station": "alone", "latitude_deg": 50.1, "longitude_deg": -100.0},
        {"station": "far", "latitude_deg": 50.5, "longitude_deg": -100.0},
    )
    found = near.neighbors(stations, farm()).filter(pl.col("station") == "here")
    assert found["other"].to_list() == ["beside", "alone"]
    assert found["distance_km"].to_list() == pytest.approx([0, 11.1], abs=0.1)
    wide = near.neighbors(stations, farm(neighbor_km=60.0))
    assert wide.filter(pl.col("station") == "here")["other"].to_list() == ["beside", "alone", "far"]
    none = near.neighbors(stations, farm(neighbor_km=0.0)).filter(pl.col("station") == "here")
    assert none["other"].to_list() == ["beside"]


def test_at_the_same_place_the_station_of_the_same_field_comes_first() -> None:
    stations = spells(
        {"station": "a", "field": "north", "strip": "treated"},
        {"station": "b", "field": "south", "strip": "treated"},
        {"station": "c", "field": "north", "strip": "check"},
    )
    found = near.neighbors(stations, farm())
    assert found.filter(pl.col("station") == "a")["other"].to_list() == ["c", "b"]


def test_the_wettest_gauge_near_a_field() -> None:
    stations = spells(
        {"station": "own", "field": "a", "strip": "treated"},
        {"station": "near", "latitude_deg": 50.1, "longitude_deg": -100.0},
        {"station": "far", "latitude_deg": 51.0, "longitude_deg": -100.0},
    )
    days = rows(
        "weather_day",
        [
            {"station": "own", "rain_mm": 0.0},
            {"station": "near", "rain_mm": 12.0},
            {"station": "far", "rain_mm": 80.0},
        ],
        day=FROM,
    )
    assert near.wettest(days, stations, farm()).rows() == [("a", FROM, 12.0)]


def test_the_wettest_gauge_of_each_field_and_day_is_that_by_hand() -> None:
    """Names that are those of columns, a day without a record, a field without one near it."""
    stations = spells(
        {"station": "day", "field": "day", "strip": "treated"},
        {"station": "station", "field": "field", "strip": "treated"},
        {
            "station": "away",
            "field": "away",
            "strip": "treated",
            "latitude_deg": 52.0,
            "longitude_deg": -100.0,
        },
    )
    fell = {"day": [1.0, None, 3.0], "station": [2.0, 0.5, None], "away": [None, None, None]}
    days = rows(
        "weather_day",
        [
            {"station": name, "day": FROM + timedelta(days=i), "rain_mm": mm}
            for name, each in fell.items()
            for i, mm in enumerate(each)
        ],
    )
    found = near.wettest(days, stations, farm()).sort("field", "day")
    most = [(FROM + timedelta(days=i), mm) for i, mm in enumerate((2.0, 0.5, 3.0))]
    assert found.rows() == [(name, day, mm) for name in ("day", "field") for day, mm in most]
    nothing = near.wettest(days.clear(), stations, farm())
    assert nothing.is_empty()
    assert nothing.schema == found.schema
