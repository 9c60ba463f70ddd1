"""Daily soil moisture: calibration, Topp's equation, spells, coverage."""

from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from schemas import generated
from schemas.tables.soil.soil_day import TABLE
from tests.transforms import frames
from transforms.methods import calendar_day
from transforms.soil import soil_day

DAY = date(2024, 5, 1)
START = frames.utc("2024-05-01")
SPELL = frames.rows(
    "probe_spell",
    [
        {
            "probe": "p",
            "from_day": date(2024, 5, 1),
            "to_day": date(2024, 5, 2),
            "field": "north",
            "strip": "check",
        }
    ],
)


def sensor(depth_cm: float = 10.0, **columns: Any) -> pl.DataFrame:
    return frames.rows("sensor", [{"probe": "p", "depth_cm": depth_cm, **columns}])


def hourly(hours: range, depth_cm: float = 10.0, **columns: Any) -> list[dict[str, Any]]:
    return [
        {
            "probe": "p",
            "depth_cm": depth_cm,
            "time": START + timedelta(hours=h),
            "interval_s": 3600.0,
            **{name: f(h) if callable(f) else f for name, f in columns.items()},
        }
        for h in hours
    ]


def derive(items: list[dict[str, Any]], sensors: pl.DataFrame | None = None) -> pl.DataFrame:
    sensors = sensor() if sensors is None else sensors
    found = soil_day.derive(frames.rows("soil_reading", items), SPELL, sensors, frames.farm())
    frames.check(found, "soil_day")
    return found


def test_a_whole_day() -> None:
    row = derive(
        hourly(
            range(1, 25),
            vwc_pct=lambda h: 20.0 + h,
            soil_temp_c=lambda h: float(h % 2),
            salinity_ds_m=0.4,
            probe_battery_v=lambda h: 4 - h / 100,
        )
    ).row(0, named=True)
    assert (row["field"], row["strip"]) == ("north", "check")
    assert row["vwc_mean_pct"] == pytest.approx(32.5)
    assert (row["vwc_min_pct"], row["vwc_max_pct"], row["vwc_last_pct"]) == (21, 44, 44)
    assert (row["soil_temp_mean_c"], row["soil_temp_min_c"], row["soil_temp_max_c"]) == (0.5, 0, 1)
    assert row["salinity_mean_ds_m"] == pytest.approx(0.4)
    assert row["battery_min_v"] == pytest.approx(3.76)
    assert (row["vwc_coverage"], row["soil_temp_coverage"], row["readings"]) == (1, 1, 24)
    assert row["partial"] is False


# Topp, Davis and Annan 1980: the cubic worked by hand with exact decimals.
@pytest.mark.parametrize(
    ("permittivity", "vwc_pct"),
    [(3.0, 2.97661), (12.0, 22.56304), (25.0, 40.04375), (40.0, 51.02)],
)
def test_topp(permittivity: float, vwc_pct: float) -> None:
    found = derive(hourly(range(1, 25), permittivity=permittivity))
    assert found["vwc_mean_pct"].item() == pytest.approx(vwc_pct, abs=1e-9)


# The same paper gives the other direction as a cubic fitted on its own (from memory), so the two
# must agree within its stated error of 0.013 m3/m3 (they part by more in soil wetter than 0.45).
@pytest.mark.parametrize("vwc", [0.05, 0.1, 0.2, 0.3, 0.4])
def test_topp_against_its_authors_own_inverse(vwc: float) -> None:
    permittivity = 3.03 + 9.3 * vwc + 146.0 * vwc**2 - 76.7 * vwc**3
    found = derive(hourly(range(1, 25), permittivity=permittivity))
    assert found["vwc_mean_pct"].item() == pytest.approx(100 * vwc, abs=1.3)


def test_topp_below_zero_is_no_number() -> None:
    row = derive(hourly(range(1, 25), permittivity=1.0)).row(0, named=True)  # air
    assert row["vwc_mean_pct"] is None
    assert row["vwc_coverage"] == 0
    assert row["partial"] is True


def test_calibration_comes_before_what_the_logger_says() -> None:
    sensors = sensor(calibration="  5 0.01 1e-6 ")
    items = hourly(range(1, 25), raw_count=1000.0, vwc_pct=99.0, permittivity=20.0)
    assert derive(items, sensors)["vwc_mean_pct"].item() == pytest.approx(5 + 10 + 1)
    without_raw = hourly(range(1, 25), vwc_pct=30.0, permittivity=20.0)
    assert derive(without_raw, sensors)["vwc_mean_pct"].item() == 30
    impossible = hourly(range(1, 25), raw_count=20000.0, vwc_pct=30.0)
    assert derive(impossible, sensors)["vwc_mean_pct"].item() is None


def test_each_depth_has_its_own_calibration() -> None:
    sensors = pl.concat(
        [sensor(10.0, calibration="0 1"), sensor(20.0, calibration="0 0 1"), sensor(30.0)]
    )
    items = [
        i for d in (10.0, 20.0, 30.0) for i in hourly(range(1, 25), d, raw_count=6.0, vwc_pct=1.0)
    ]
    assert derive(items, sensors)["vwc_mean_pct"].to_list() == [6, 36, 1]


def test_outside_the_sensors_days_the_row_stands_without_values() -> None:
    sensors = sensor(from_day=date(2024, 5, 2))
    found = derive(hourly(range(1, 49), vwc_pct=30.0, soil_temp_c=5.0), sensors)
    assert found["vwc_mean_pct"].to_list() == [None, 30]
    assert found["soil_temp_mean_c"].to_list() == [None, 5]
    assert found["vwc_coverage"].to_list() == [0, 1]
    assert found["partial"].to_list() == [True, False]


def test_out_of_the_soil_there_is_no_field() -> None:
    found = derive(hourly(range(1, 73), vwc_pct=30.0))
    assert found["field"].to_list() == ["north", "north", None]


def test_a_gap_makes_the_day_partial() -> None:
    row = derive(hourly(range(1, 19), vwc_pct=30.0)).row(0, named=True)
    assert row["vwc_coverage"] == pytest.approx(0.75)
    assert row["partial"] is True


def test_no_readings() -> None:
    none = soil_day.derive(frames.rows("soil_reading", []), SPELL, sensor(), frames.farm())
    assert_frame_equal(none, generated.empty(TABLE))


@given(
    st.lists(
        st.fixed_dictionaries(
            {"depth_cm": st.sampled_from([10.0, 20.0]), "hour": st.integers(0, 100)},
            optional={
                "vwc_pct": st.floats(0, 100),
                "permittivity": st.floats(1, 100),
                "raw_count": st.floats(0, 4000),
                "soil_temp_c": st.floats(-20, 40),
            },
        ),
        min_size=1,
        max_size=30,
        unique_by=lambda r: (r["depth_cm"], r["hour"]),
    ),
    st.randoms(use_true_random=False),
)
@settings(max_examples=25, deadline=None)
def test_order_does_not_matter_and_a_day_stands_alone(drawn, random) -> None:
    items = [
        {
            **{k: v for k, v in r.items() if k != "hour"},
            "probe": "p",
            "interval_s": 1800.0,
            "time": START + timedelta(hours=r["hour"]),
        }
        for r in drawn
    ]
    sensors = pl.concat([sensor(10.0, calibration="3 0.02"), sensor(20.0)])
    whole = derive(items, sensors)
    random.shuffle(items)
    reading = frames.rows("soil_reading", items)
    parts = [
        soil_day.derive(rows.drop("d"), SPELL, sensors, frames.farm())
        for _, rows in reading.with_columns(
            d=calendar_day.day_of(pl.col("time"), frames.farm())
        ).group_by("depth_cm", "d")
    ]
    assert pl.concat(parts).sort("probe", "depth_cm", "day").equals(whole)
    means = whole.drop_nulls("vwc_mean_pct")
    assert (means["vwc_min_pct"] <= means["vwc_mean_pct"] + 1e-9).all()
    assert (means["vwc_mean_pct"] <= means["vwc_max_pct"] + 1e-9).all()
