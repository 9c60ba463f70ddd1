"""water_meter_day: volumes of increments, totals and rates by hand; resets, gaps and silence."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.transforms.frames import by_key, check, days, farm, rows, utc
from transforms.weather import water_meter_day

FIRST = utc("2024-06-10 00:00")
DAY, NEXT = date(2024, 6, 10), date(2024, 6, 11)
HOUR = 3600.0


def readings(
    column: str, values: list[float | None], *, step_h: float = 1.0, **more: Any
) -> pl.DataFrame:
    """A value each step from midnight on, stamped at its end; None where the meter is silent."""
    items = [
        {"time": FIRST + timedelta(hours=step_h * (i + 1)), column: value, **more}
        for i, value in enumerate(values)
        if value is not None
    ]
    return rows("weather_reading", items, station="m", interval_s=step_h * HOUR)


def derived(reading: pl.DataFrame, ha: float | None = 50.0) -> dict[Any, dict[str, Any]]:
    spell = {"station": "m", "from_day": date(2024, 1, 1), "field": "f", "irrigated_area_ha": ha}
    out = water_meter_day.derive(reading, rows("station_spell", [spell]), farm())
    check(out, "water_meter_day")
    return by_key(out, "water_meter_day")


def test_increments_add_up_and_a_missing_hour_is_not_zero() -> None:
    out = derived(readings("water_volume_m3", [10.0] * 24 + [10.0] * 12 + [None] * 12))
    whole, half = out["m", DAY], out["m", NEXT]
    assert (whole["volume_m3"], whole["volume_coverage"], whole["partial"]) == (240.0, 1.0, False)
    assert (half["volume_m3"], half["volume_coverage"], half["partial"]) == (120.0, 0.5, True)
    assert (whole["field"], whole["strip"], whole["irrigated_area_ha"]) == ("f", "both", 50.0)
    assert whole["volume_from"] == "increments"


def test_a_rate_times_its_time_is_a_volume_and_never_runs_backwards() -> None:
    """100 m3/h for 12 hours, read each half hour; noise below zero at rest counts as none."""
    out = derived(readings("water_flow_m3_h", [100.0] * 24 + [-0.5] * 24, step_h=0.5))
    row = out["m", DAY]
    assert row["volume_m3"] == pytest.approx(1200.0)
    assert (row["volume_from"], row["volume_coverage"]) == ("flow", 1.0)


def test_a_running_total_is_its_differences_through_a_reset_by_hand() -> None:
    total = [1000.0 + 50 * i for i in range(12)] + [50.0 * (i + 1) for i in range(12)]
    out = derived(readings("water_counter_m3", total))
    # 11 steps up to the reset (the first hour of the record has none before it), then 12 from zero.
    assert out["m", DAY]["volume_m3"] == pytest.approx(50.0 * 23)
    assert out["m", DAY]["volume_from"] == "running total"


def test_a_total_that_rolls_over_goes_on() -> None:
    total = [(9_700.0 + 50 * i) % 10_000 for i in range(24)]
    out = derived(readings("water_counter_m3", total, water_counter_rolls_at_m3=10_000.0))
    assert out["m", DAY]["volume_m3"] == pytest.approx(50.0 * 23)


def test_a_dip_of_power_is_neither_a_reset_nor_water() -> None:
    total = [5000.0] * 10 + [0.0] + [5000.0] * 13
    out = derived(readings("water_counter_m3", total))
    assert out["m", DAY]["volume_m3"] == pytest.approx(0.0)
    assert "left its height" in out["m", DAY]["reason"]
    assert out["m", DAY]["suspect"] > 0


def test_a_total_over_a_gap_stands_on_its_last_day_and_says_since_when() -> None:
    total: list[float | None] = [100.0 * i for i in range(24)]
    total += [None] * 48 + [100.0 * (24 + 48 + i) for i in range(24)]
    out = derived(readings("water_counter_m3", total))
    assert {k[1] for k in out} == {DAY, DAY + timedelta(days=3)}
    last = out["m", DAY + timedelta(days=3)]
    assert last["volume_m3"] == pytest.approx(100.0 * (48 + 24 + 1) - 100.0)
    assert last["volume_since_day"] == DAY + timedelta(days=1)


def test_a_new_meter_at_zero_tells_of_a_gap_too() -> None:
    out = derived(readings("water_counter_m3", [0.0] * 24 + [None] * 48 + [600.0] * 24))
    last = out["m", DAY + timedelta(days=3)]
    assert (last["volume_m3"], last["volume_since_day"]) == (600.0, DAY + timedelta(days=1))


def test_of_two_records_the_one_that_covers_more_of_the_day() -> None:
    both = readings("water_volume_m3", [5.0] * 6).join(
        readings("water_flow_m3_h", [10.0] * 24).select("station", "time", "water_flow_m3_h"),
        on=["station", "time"],
        how="full",
        coalesce=True,
        suffix="_flow",
    )
    flow = pl.col("water_flow_m3_h_flow")
    reading = both.with_columns(
        water_flow_m3_h=flow, interval_s=pl.lit(HOUR), delivery=pl.lit("d")
    ).drop("water_flow_m3_h_flow")
    row = derived(reading)["m", DAY]
    assert (row["volume_from"], row["volume_m3"]) == ("flow", pytest.approx(240.0))


def test_weather_alone_is_no_meter() -> None:
    assert derived(readings("rain_mm", [1.0] * 24)) == {}


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.floats(0, 200), min_size=72, max_size=72),
    st.randoms(use_true_random=False),
    st.integers(1, 71),
)
def test_a_day_alone_is_the_day_among_others_in_any_order(
    steps: list[float], chance: Any, reset: int
) -> None:
    """As the flow makes it: the day's readings and the counters near it, in whatever order."""
    total, at = [], 0.0
    for i, step in enumerate(steps):
        at = step if i == reset else at + step
        total.append(round(at, 3))
    reading = readings("water_counter_m3", total)
    order = list(range(reading.height))
    chance.shuffle(order)
    assert derived(reading[order]) == derived(reading)
    middle = DAY + timedelta(days=1)
    start = FIRST + timedelta(days=1)
    near = pl.col("time").is_between(start - timedelta(days=1), start + timedelta(days=2))
    alone = derived(reading.filter(near))
    assert alone["m", middle] == derived(reading)["m", middle]


def test_the_volumes_of_days_are_the_total_of_the_record() -> None:
    total = [37.5 * i for i in range(24 * 5)]
    out = derived(readings("water_counter_m3", total))
    assert [k[1] for k in out] == days("2024-06-10", 5)
    assert sum(r["volume_m3"] for r in out.values()) == pytest.approx(total[-1])
