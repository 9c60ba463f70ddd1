"""Rain counters against counters run over a known rain: every loss and gain is accounted for."""

from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.transforms import frames
from transforms.methods import calendar_day
from transforms.weather.methods import rain_counter

START = frames.utc("2024-05-01")


def steps(
    totals: list[float | None], hours: list[float] | None = None, **also: Any
) -> pl.DataFrame:
    """Hourly counter readings (None: absent) at the given hours after START."""
    hours = hours or [float(i) for i in range(len(totals))]
    reading = frames.rows(
        "weather_reading",
        [
            {
                "station": "a",
                "time": START + timedelta(hours=h),
                "interval_s": 3600.0,
                "rain_counter_mm": total,
                "rain_counter_rolls_at_mm": also.get("rolls_at"),
            }
            for h, total in zip(hours, totals, strict=True)
        ],
    )
    farm = frames.farm()
    reading = reading.with_columns(day=calendar_day.day_of(pl.col("time"), farm))
    return rain_counter.steps(reading, farm)


@pytest.mark.parametrize(
    ("totals", "rolls_at", "rain", "suspect"),
    [
        ([5, 5, 7.5], None, [0, 2.5], 0),
        ([5, 0, 1.5], None, [0, 1.5], 0),  # reset at midnight, nothing since
        ([5, 2, 3], None, [2, 1], 0),  # reset, 2 mm since
        ([98, 3, 4], 100, [5, 1], 0),  # rolled over: 2 to the end and 3 after
        ([50, 3, 4], 1000, [3, 1], 0),  # far from its end: reset by hand
        ([400, 399.8, 400, 400.4], None, [0, 0, 0.4], 1),  # jitter comes back, is not rain
        ([400, 399.8, 399.8, 401], None, [0, 0, 1], 1),
        ([40, 30, 31], None, [None, 1], 1),  # a fall that nothing explains
        ([1, 5000, 5001], None, [None, 1], 1),  # a leap that no rain makes
        ([0.2, 0.0, 0.2], None, [0, 0.2], 0),
    ],
)
def test_kinds_of_step(totals, rolls_at, rain, suspect) -> None:
    found = steps(totals, [h + 1 for h in range(len(totals))], rolls_at=rolls_at)
    assert found["rain_mm"].to_list() == pytest.approx(rain, abs=1e-9)
    assert found["suspect"].sum() == suspect
    unexplained = found["rain_mm"].is_null()
    assert found["covered_s"].is_null().equals(unexplained)


def test_a_gap_is_bridged_on_the_day_that_ends_it() -> None:
    found = steps([10, 17, 18], [20, 50, 51])  # 20:00 on 1 May, then 02:00 on 3 May
    assert found["day"].to_list() == [date(2024, 5, 3)] * 2
    assert found["rain_mm"].to_list() == [7, 1]
    assert found["since_day"].to_list() == [date(2024, 5, 1), date(2024, 5, 3)]
    assert found["covered_s"].to_list() == [7200, 3600]


def test_a_gap_that_begins_at_a_days_end_is_since_the_next_day() -> None:
    assert steps([10, 17], [24, 50])["since_day"].to_list() == [date(2024, 5, 2)]


def test_a_reset_within_a_gap_bridges_nothing() -> None:
    found = steps([10, 3], [20, 50])
    assert found["rain_mm"].to_list() == [3]
    assert found["since_day"].to_list() == [date(2024, 5, 3)]
    assert found["covered_s"].to_list() == [3600]


def test_a_gap_within_a_day_is_covered() -> None:
    assert steps([10, 12], [2, 9])["covered_s"].to_list() == [7 * 3600]


@given(
    st.lists(st.integers(0, 40), min_size=2, max_size=80),
    st.sampled_from([None, 20.0, 100.0]),
    st.data(),
)
def test_whatever_is_read_of_a_counter_the_rain_is_all_there(tips, rolls_at, data) -> None:
    """Any subset of the readings of a counter gives the rain between first and last of them."""
    tip_mm = 0.2
    total = 0
    totals = []
    for count in tips:
        total += count
        value = total * tip_mm
        totals.append(value % rolls_at if rolls_at else value)
    kept = data.draw(
        st.lists(st.booleans(), min_size=len(tips), max_size=len(tips)).filter(lambda k: sum(k) > 1)
        if rolls_at is None
        else st.just([True] * len(tips))
    )
    at = [i for i, keep in enumerate(kept) if keep]
    found = steps([totals[i] for i in at], [float(i) for i in at], rolls_at=rolls_at)
    truth = sum(tips[at[0] + 1 : at[-1] + 1]) * tip_mm
    lost = found["rain_mm"].is_null()
    if not lost.any():
        assert found["rain_mm"].sum() == pytest.approx(truth, abs=1e-6)
    # A counter that rolls in the upper half looks like a fall: never invented, always said.
    assert found["suspect"].sum() >= lost.sum()
    assert found["rain_mm"].sum() <= truth + 1e-6
