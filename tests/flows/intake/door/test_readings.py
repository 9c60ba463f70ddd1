"""Sensors side by side in one row; what is rejected of one leaves the others."""

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from flows.farm import farm_file
from flows.intake.door.places import Places
from flows.intake.door.readings import readings_of
from schemas.quantities import Instrument
from tests.flows.loggers import FARM

NOON = datetime(2020, 6, 1, 18, tzinfo=UTC)


@pytest.fixture
def read(tmp_path):
    def made(frame, toml=FARM, kind=Instrument.PROBE):
        path = tmp_path / "farm.toml"
        path.write_text(toml, encoding="utf-8")
        farm = farm_file.load(path)
        return readings_of(frame, farm.layouts["hourly"], kind, Places.of(farm))

    return made


def rows(**columns):
    """Rows an hour apart; ``columns``: the file's, as numbers."""
    n = len(next(iter(columns.values())))
    return pl.DataFrame(
        {
            "seq": [1] * n,
            "line": list(range(2, n + 2)),
            "stamp": [f"line {i}" for i in range(n)],
            "time": [NOON + timedelta(hours=i) for i in range(n)],
            "station": ["west"] * n,
            "probe": ["deep"] * n,
            "values": [len(columns)] * n,
            **{f"v:{name}": values for name, values in columns.items()},
        },
        schema_overrides={f"v:{name}": pl.Float64 for name in columns},
    )


def test_a_row_of_a_probe_is_one_reading_with_its_sensors(read):
    found, rejected = read(rows(S1=[0.31, 0.29], S2=[0.35, None]))
    assert rejected == []
    assert found.select("line", "depth_cm", "vwc_pct", "values").rows() == [
        (2, [10.0, 30.0], [31.0, 35.0], 2),
        (3, [10.0, 30.0], [29.0, None], 1),
    ]


def test_a_row_of_a_station_is_one_reading_in_si(read):
    found, _ = read(rows(T=[50.0], R=[0.1]), kind=Instrument.STATION)
    assert found.select("station", "air_temp_c", "rain_mm", "values", "interval_s").rows() == [
        ("west", 10.0, 2.54, 2, 3600.0)
    ]


def test_what_is_beyond_the_limits_is_refused_and_the_sensor_beside_it_stays(read):
    found, rejected = read(rows(S1=[-4.0, 0.3], S2=[0.35, 3.1]))
    assert found["vwc_pct"].to_list() == [[None, 35.0], [30.0, None]]
    assert found["values"].to_list() == [1, 1]
    causes = pl.concat(rejected).select("line", "column_name", "extent", "cause", "found", "values")
    assert sorted(causes.rows()) == [
        (2, "S1", "value", "outside the limits", "-4.0", 1),
        (3, "S2", "value", "outside the limits", "3.1", 1),
    ]


def test_a_sensor_that_is_not_valid_that_day_has_no_depth_and_its_values_are_refused(read):
    toml = FARM.replace("{depth_cm = 10}", "{depth_cm = 10, from = 2020-06-02}")
    found, rejected = read(rows(S1=[0.31], S2=[0.35]), toml)
    assert found.select("depth_cm", "vwc_pct", "values").rows() == [([None, 30.0], [None, 35.0], 1)]
    assert pl.concat(rejected).select("column_name", "cause", "found").rows() == [
        ("S1", "no such sensor", "depth 10.0")
    ]


def test_a_column_that_says_nothing_needs_no_sensor(read):
    toml = FARM.replace("{depth_cm = 10}", "{depth_cm = 10, from = 2020-06-02}")
    found, rejected = read(rows(S1=[None], S2=[0.35]), toml)
    assert found["depth_cm"].to_list() == [[None, 30.0]]
    assert sum(f.height for f in rejected) == 0


def test_rows_out_of_their_spell_are_refused_a_column_each(read):
    lifted = rows(S1=[0.31, 0.31], S2=[0.35, None]).with_columns(
        pl.col("time") + timedelta(days=25)
    )
    found, rejected = read(lifted)
    assert found.is_empty()
    causes = pl.concat(rejected)
    assert set(causes["cause"]) == {"outside every spell"}
    assert sorted(causes.select("line", "column_name").rows()) == [(2, "S1"), (2, "S2"), (3, "S1")]


def test_a_layout_without_such_columns_has_no_such_readings(read):
    toml = FARM.replace('"S1" = {quantity = "vwc", unit = "m^3/m^3", depth_cm = 10}\n', "").replace(
        '"S2" = {quantity = "vwc", unit = "m^3/m^3", sensor = "b", missing = [-99]}\n', ""
    )
    assert read(rows(T=[50.0]), toml) == (None, [])
