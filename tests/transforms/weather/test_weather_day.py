"""Daily weather: against sums by hand, and the promise that a day stands alone."""

import math
from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from schemas import generated
from schemas.tables.weather.weather_day import TABLE
from tests.transforms import frames
from transforms.methods import calendar_day
from transforms.weather import weather_day
from transforms.weather.methods import rain_counter

DAY = date(2024, 5, 1)
START = frames.utc("2024-05-01")
SPELL = frames.rows(
    "station_spell",
    [
        {
            "station": "a",
            "from_day": date(2024, 4, 1),
            "field": "north",
            "strip": "check",
            "wind_height_m": 2.5,
            "gauge_heated": False,
        }
    ],
)


def hourly(hours: range | list[int], station: str = "a", **columns: Any) -> list[dict[str, Any]]:
    """Hourly readings; a column is a number or a function of the hour (end of the interval)."""
    return [
        {
            "station": station,
            "time": START + timedelta(hours=h),
            "interval_s": 3600.0,
            **{name: f(h) if callable(f) else f for name, f in columns.items()},
        }
        for h in hours
    ]


def derive(items: list[dict[str, Any]], **farm: Any) -> pl.DataFrame:
    found = weather_day.derive(frames.rows("weather_reading", items), SPELL, frames.farm(**farm))
    frames.check(found, "weather_day")
    return found


def one(items: list[dict[str, Any]], **farm: Any) -> dict[str, Any]:
    found = derive(items, **farm)
    assert found.height == 1
    return found.row(0, named=True)


def test_a_whole_day() -> None:
    row = one(
        hourly(
            range(1, 25),
            air_temp_c=lambda h: 10 + 5 * math.sin(2 * math.pi * h / 24),
            relative_humidity_pct=lambda h: 102.0 if h <= 6 else 50.0,
            rain_mm=lambda h: 0.5 if h in (3, 24) else 0.0,
            wind_speed_m_s=lambda h: float(h % 2),
            wind_gust_m_s=float,
            solar_radiation_w_m2=lambda h: 500.0 if 7 <= h <= 18 else -5.0,
            air_pressure_kpa=97.0,
            snow_depth_cm=lambda h: float(30 - h),
            reference_et_mm=0.1,
            battery_v=lambda h: 12 + h / 100,
        )
    )
    assert row["day"] == DAY
    assert (row["field"], row["strip"], row["wind_height_m"]) == ("north", "check", 2.5)
    assert row["air_temp_mean_c"] == pytest.approx(10)
    assert (row["air_temp_min_c"], row["air_temp_max_c"]) == pytest.approx((5, 15))
    assert row["relative_humidity_mean_pct"] == pytest.approx((6 * 100 + 18 * 50) / 24)
    assert row["relative_humidity_max_pct"] == 100
    assert row["rain_mm"] == 1.0
    assert row["rain_since_day"] == DAY
    assert row["wind_speed_mean_m_s"] == pytest.approx(0.5)
    assert row["wind_gust_m_s"] == 24
    assert row["solar_energy_mj_m2"] == pytest.approx(500 * 12 * 3600 / 1e6)  # 21.6
    assert row["air_pressure_mean_kpa"] == 97
    assert row["snow_depth_cm"] == 6
    assert row["reference_et_logged_mm"] == pytest.approx(2.4)
    assert row["battery_min_v"] == 12.01
    assert row["readings"] == 24
    assert row["partial"] is False
    for name in ("air_temp", "humidity", "rain", "wind", "solar"):
        assert row[f"{name}_coverage"] == 1


def test_what_did_not_report_is_null_with_no_coverage_and_does_not_make_the_day_partial() -> None:
    row = one(hourly(range(1, 25), air_temp_c=3.0))
    for name in ("rain_mm", "wind_speed_mean_m_s", "solar_energy_mj_m2", "rain_since_day"):
        assert row[name] is None
    assert (row["rain_coverage"], row["wind_coverage"], row["partial"]) == (0, 0, False)


def test_a_gap_makes_the_day_partial() -> None:
    row = one(hourly([h for h in range(1, 25) if h not in (5, 6, 7)], air_temp_c=3.0, rain_mm=0.1))
    assert row["air_temp_coverage"] == pytest.approx(21 / 24)
    assert row["rain_mm"] == pytest.approx(2.1)
    assert row["partial"] is True


def test_steps_of_two_lengths_are_weighted_and_overlaps_count_once() -> None:
    items = hourly(range(1, 13), air_temp_c=0.0)
    items += [
        {**item, "time": START + timedelta(hours=12, minutes=10 * (i + 1)), "interval_s": 600.0}
        for i, item in enumerate(hourly([0] * 72, air_temp_c=10.0))
    ]
    assert one(items)["air_temp_mean_c"] == pytest.approx(5)
    doubled = items + [
        {**item, "time": item["time"] - timedelta(minutes=30)} for item in items[1:12]
    ]
    row = one(doubled)
    assert row["air_temp_mean_c"] == pytest.approx(5)
    assert row["air_temp_coverage"] == 1


@pytest.mark.parametrize(
    ("column", "value"), [("specific_humidity_g_kg", 7.40), ("vapour_pressure_deficit_kpa", 1.138)]
)
def test_other_ways_to_report_humidity_give_vapour_pressure(column: str, value: float) -> None:
    """1.2 kPa at 20 °C and 101.3 kPa: 7.40 g/kg by the gas law; FAO-56 table 2.3 has 2.338 kPa."""
    columns: dict[str, Any] = {column: value, "air_temp_c": 20.0, "air_pressure_kpa": 101.3}
    row = one(hourly(range(1, 25), **columns))
    assert row["vapour_pressure_mean_kpa"] == pytest.approx(1.2, abs=0.002)
    assert row["humidity_coverage"] == 1
    assert row["partial"] is False
    half = one(hourly(range(1, 13), **columns) + hourly(range(13, 25), air_temp_c=20.0))
    assert half["humidity_coverage"] == pytest.approx(0.5)
    assert half["partial"] is True


def test_already_daily_records() -> None:
    """The mean of a day of which only the extremes came is half of their sum (WMO-No. 1203, MEM)."""
    items = [
        {
            "station": "a",
            "time": START + timedelta(days=1),
            "interval_s": 86400.0,
            "air_temp_max_c": 21.5,
            "air_temp_min_c": 12.3,
            "relative_humidity_max_pct": 84.0,
            "relative_humidity_min_pct": 63.0,
            "rain_mm": 4.2,
            "solar_energy_mj_m2": 22.07,
        }
    ]
    row = one(items)
    assert row["air_temp_mean_c"] == pytest.approx(16.9)
    assert (row["air_temp_min_c"], row["air_temp_max_c"]) == (12.3, 21.5)
    assert row["relative_humidity_mean_pct"] == pytest.approx(73.5)
    assert (row["rain_mm"], row["solar_energy_mj_m2"]) == (4.2, 22.07)
    assert row["air_temp_coverage"] == row["rain_coverage"] == 1
    assert row["partial"] is False


def test_an_increment_of_several_days_says_since_when() -> None:
    items = [
        {
            "station": "a",
            "time": START + timedelta(days=3),
            "interval_s": 3 * 86400.0,
            "rain_mm": 9.0,
        }
    ]
    row = one(items)
    assert row["day"] == date(2024, 5, 3)
    assert row["rain_since_day"] == DAY


def test_a_day_that_starts_at_nine() -> None:
    found = derive(
        hourly(range(1, 49), rain_mm=lambda h: 1.0 if h == 10 else 0.0), day_starts_h=9.0
    )
    assert found["day"].to_list() == [date(2024, 4, 30), DAY, date(2024, 5, 2)]
    assert found["rain_mm"].to_list() == [0, 1, 0]
    assert found["rain_coverage"].to_list() == pytest.approx([9 / 24, 1, 15 / 24])


def test_counter_and_the_reading_before() -> None:
    found = derive(hourly(range(0, 49), rain_counter_mm=lambda h: 100 + h / 10))
    days = frames.by_key(found, "weather_day")
    assert days["a", DAY]["rain_mm"] == pytest.approx(2.4)
    assert days["a", DAY]["rain_coverage"] == 1
    assert days["a", date(2024, 5, 2)]["rain_mm"] == pytest.approx(2.4)
    assert days["a", date(2024, 4, 30)]["rain_mm"] is None  # the first reading starts nothing
    assert days["a", date(2024, 4, 30)]["partial"] is True


def test_counter_bridges_a_lost_day() -> None:
    kept = [*range(0, 25), *range(55, 73)]  # 2 May is lost, and 7 hours of the 3rd
    days = frames.by_key(
        derive(hourly(kept, rain_counter_mm=lambda h: 100 + h / 10)), "weather_day"
    )
    third = days["a", date(2024, 5, 3)]
    assert third["rain_mm"] == pytest.approx(4.8)
    assert third["rain_since_day"] == date(2024, 5, 2)
    assert third["rain_coverage"] == 1
    assert third["partial"] is False
    assert ("a", date(2024, 5, 2)) not in days


def test_the_fuller_of_two_rain_records_is_taken() -> None:
    both = hourly(range(1, 13), rain_mm=0.1, rain_counter_mm=lambda h: h / 2)
    rest = hourly(range(13, 25), rain_counter_mm=lambda h: h / 2)
    before = hourly([0], rain_counter_mm=0.0)
    days = frames.by_key(derive(before + both + rest), "weather_day")
    assert days["a", DAY]["rain_mm"] == pytest.approx(12)
    assert days["a", DAY]["rain_coverage"] == 1


def test_a_stuck_radiation_sensor_is_no_number() -> None:
    row = one(hourly(range(1, 25), solar_radiation_w_m2=1500.0))  # 129.6 MJ/m2: no such day
    assert row["solar_energy_mj_m2"] is None
    assert row["solar_coverage"] == 0
    assert row["partial"] is True


def test_outside_a_spell_the_place_is_unknown() -> None:
    items = [{**i, "time": i["time"] - timedelta(days=60)} for i in hourly([5], air_temp_c=1.0)]
    assert one(items)["field"] is None


def test_no_readings() -> None:
    none = weather_day.derive(frames.rows("weather_reading", []), SPELL, frames.farm())
    assert_frame_equal(none, generated.empty(TABLE))


# Any readings: hours may lack, steps differ, counters fall.
READINGS = st.lists(
    st.fixed_dictionaries(
        {
            "station": st.sampled_from(["a", "b"]),
            "hour": st.integers(0, 24 * 5),
            "interval_s": st.sampled_from([900.0, 3600.0, 86400.0]),
        },
        optional={
            "air_temp_c": st.floats(-40, 40),
            "rain_mm": st.floats(0, 50),
            "rain_counter_mm": st.floats(0, 300),
            "relative_humidity_pct": st.floats(0, 105),
            "solar_radiation_w_m2": st.floats(-30, 1600),
        },
    ),
    min_size=1,
    max_size=30,
    unique_by=lambda r: (r["station"], r["hour"]),
)


def _items(drawn: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [
        {**{k: v for k, v in r.items() if k != "hour"}, "time": START + timedelta(hours=r["hour"])}
        for r in drawn
    ]


@given(READINGS, st.randoms(use_true_random=False))
@settings(max_examples=20, deadline=None)
def test_order_does_not_matter_and_a_day_stands_alone(drawn, random) -> None:
    items = _items(drawn)
    whole = derive(items)
    shuffled = list(items)
    random.shuffle(shuffled)
    assert derive(shuffled).equals(whole)

    reading = frames.rows("weather_reading", items).with_columns(
        day_=calendar_day.day_of(pl.col("time"), frames.farm())
    )
    groups = sorted(reading.group_by("station", "day_"), key=lambda g: g[0])
    for (station, day), rows in random.sample(groups, min(2, len(groups))):
        counter = reading.filter(
            pl.col("station") == station, pl.col("rain_counter_mm").is_not_null()
        ).sort("time")
        reach = timedelta(days=weather_day.COUNTER_DAYS)
        near = [
            counter.filter((pl.col("day_") != day) & ((pl.col("day_") - day).abs() <= reach)),
            counter.filter(pl.col("day_") < day).tail(weather_day.COUNTER_READINGS),
            counter.filter(pl.col("day_") > day).head(weather_day.COUNTER_READINGS),
        ]
        alone = weather_day.derive(
            pl.concat([rows, *near]).unique().drop("day_"), SPELL, frames.farm()
        ).filter(pl.col("day") == day)
        assert alone.equals(whole.filter(pl.col("station") == station, pl.col("day") == day))


@given(READINGS)
@settings(max_examples=20, deadline=None)
def test_coverage_and_extremes_keep_their_bounds(drawn) -> None:
    found = derive(_items(drawn))
    for name in ("air_temp", "humidity", "rain", "wind", "solar"):
        assert found[f"{name}_coverage"].is_between(0, 1).all()
    assert (found["air_temp_min_c"] <= found["air_temp_mean_c"] + 1e-9).fill_null(True).all()
    assert (found["air_temp_mean_c"] <= found["air_temp_max_c"] + 1e-9).fill_null(True).all()
    assert (found["rain_since_day"] <= found["day"]).fill_null(True).all()
    assert (found["rain_mm"] >= 0).fill_null(True).all()
    null = pl.col("rain_mm").is_null()
    assert found.select((null == (pl.col("rain_coverage") == 0)).all()).item()


def test_a_day_is_never_covered_more_than_once() -> None:
    items = hourly(range(1, 25), air_temp_c=1.0)
    items[0]["interval_s"] = 86400.0  # reaches back into the day before
    assert one(items)["air_temp_coverage"] == 1


def test_a_power_dip_of_the_counter_is_no_rain_and_has_a_reason() -> None:
    read = hourly(range(0, 25), rain_counter_mm=lambda h: 0.0 if h == 12 else 113 + h / 10)
    row = derive(read).row(-1, named=True)
    assert row["rain_mm"] == pytest.approx(2.2)
    assert row["rain_coverage"] == pytest.approx(22 / 24)
    assert row["partial"]
    assert row["rain_reason"] == rain_counter.CAME_BACK


def test_rain_beyond_the_world_s_records_is_left_out_with_its_amount() -> None:
    row = one(hourly(range(1, 25), rain_mm=lambda h: 900.0 if h == 5 else 0.5))
    assert (row["rain_mm"], row["rain_impossible_mm"]) == (11.5, 900.0)
    assert row["rain_coverage"] == pytest.approx(23 / 24)
    assert row["partial"]
    usual = one(hourly(range(1, 25), rain_mm=lambda h: 90.0 if h == 5 else 0.5))
    assert (usual["rain_mm"], usual["rain_impossible_mm"], usual["partial"]) == (101.5, None, False)


@pytest.mark.parametrize(("mm", "kept"), [(1361.0, True), (1830.0, False)])
def test_a_daily_total_is_held_against_the_record_of_a_day(mm: float, kept: bool) -> None:
    day = {"station": "a", "time": START + timedelta(days=1), "interval_s": 86_400.0}
    row = one([day | {"rain_mm": mm}])
    assert (row["rain_mm"], row["rain_impossible_mm"]) == ((mm, None) if kept else (None, mm))
    assert (row["rain_coverage"], row["partial"]) == ((1.0, False) if kept else (0.0, True))


def test_a_running_total_that_gains_more_than_a_record_is_left_out() -> None:
    # Each hour has what the hour beside it makes believable.
    found = derive(hourly(range(0, 25), rain_counter_mm=lambda h: 85.0 * h)).sort("day").to_dicts()
    last = found[-1]
    assert (last["rain_mm"], last["rain_impossible_mm"]) == (None, pytest.approx(2040.0))
    assert last["rain_coverage"] == 0.0


@pytest.mark.parametrize(
    ("step_s", "columns", "words"),
    [
        (3600.0, {"air_temp_c": 10.0}, "long means"),
        (900.0, {"air_temp_c": 10.0}, "short means"),
        (3600.0, {"air_temp_c": 10.0, "air_temp_max_c": 11.0, "air_temp_min_c": 9.0}, "extremes"),
        (3600.0, {"air_temp_max_c": 11.0, "air_temp_min_c": 9.0}, "extremes"),
        (3600.0, {"air_temp_c": 10.0, "air_temp_max_c": 11.0}, "long means"),
        (3600.0, {"rain_mm": 0.2}, None),
    ],
)
def test_what_the_day_s_extremes_are_of(
    step_s: float, columns: dict[str, float], words: str | None
) -> None:
    items = [
        {"station": "a", "time": START + timedelta(seconds=step_s * n), "interval_s": step_s}
        | columns
        for n in range(1, int(86_400 / step_s) + 1)
    ]
    assert one(items)["air_temp_extremes_from"] == words


def test_a_day_most_of_which_has_extremes_has_them() -> None:
    mixed = hourly(
        range(1, 25),
        air_temp_c=10.0,
        air_temp_max_c=lambda h: None if h < 3 else 11.0,
        air_temp_min_c=lambda h: None if h < 3 else 9.0,
    )
    assert one(mixed)["air_temp_extremes_from"] == "extremes"
    assert one(mixed[:12])["air_temp_extremes_from"] == "long means"


def daily(rain: dict[int, tuple[float, float | None]], **columns: Any) -> list[dict[str, Any]]:
    """Daily readings of rain and the days that it is the total of, by day from the first."""
    return [
        {
            "station": "a",
            "time": START + timedelta(days=day + 1),
            "interval_s": 86_400.0,
            "rain_mm": mm,
            "rain_over_d": over,
            **columns,
        }
        for day, (mm, over) in rain.items()
    ]


@pytest.mark.parametrize(
    ("over", "since"), [(0.0, 1), (3.0, 1), (2.0, 2), (1.0, 3)], ids=["unknown", "3", "2", "own"]
)
def test_a_total_of_several_days_says_since_when(over: float, since: int) -> None:
    found = derive(daily({0: (2.0, 1.0), 3: (12.5, over), 4: (0.0, 1.0)}))
    rain = {
        r["day"]: (r["rain_mm"], r["rain_coverage"], r["rain_since_day"]) for r in found.to_dicts()
    }
    days = [DAY + timedelta(days=i) for i in range(5)]
    assert rain == {
        days[0]: (2.0, 1.0, days[0]),
        days[3]: (12.5, 1.0, days[since]),
        days[4]: (0.0, 1.0, days[4]),
    }


@pytest.mark.parametrize("first", [None, 0])
def test_a_total_of_which_nobody_knows_the_first_day_is_no_rain(first: int | None) -> None:
    rain = {40: (12.5, 0.0)} | ({} if first is None else {first: (2.0, 1.0)})
    row = derive(daily(dict(sorted(rain.items())), air_temp_max_c=20.0, air_temp_min_c=10.0)).row(
        -1, named=True
    )
    assert (row["rain_mm"], row["rain_coverage"], row["rain_since_day"]) == (None, 0.0, None)
    assert row["rain_reason"] == weather_day.UNKNOWN_BEGIN
    assert row["air_temp_mean_c"] == 15.0
