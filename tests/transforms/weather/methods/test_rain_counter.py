"""Rain counters against counters run over a known rain: every loss and gain is accounted for."""

from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.transforms import frames
from transforms.methods import calendar_day
from transforms.weather.methods import rain_counter, rain_records

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
                "interval_s": also.get("interval_s", 3600.0),
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


def test_a_gap_after_zero_may_hide_a_total_that_began_anew() -> None:
    """As of a total since midnight: 5 mm of the day that the gap ends, and what more before nobody knows."""
    found = steps([0, 5, 6], [20, 24 * 6, 24 * 6 + 1])
    assert found["rain_mm"].to_list() == [5, 1]
    assert found["since_day"].to_list() == [date(2024, 5, 6), date(2024, 5, 7)]
    assert found["covered_s"].to_list() == [3600, 3600]
    dry = steps([0, 0], [20, 24 * 6])
    assert (dry["rain_mm"].item(), dry["covered_s"].item()) == (0, 3600)
    # A night, a total that had risen, and one that only rolls over tell of the whole gap.
    assert steps([0, 5], [20, 42])["since_day"].to_list() == [date(2024, 5, 1)]
    assert steps([1, 5], [20, 24 * 6])["since_day"].to_list() == [date(2024, 5, 1)]
    assert steps([0, 5], [20, 24 * 6], rolls_at=100)["since_day"].to_list() == [date(2024, 5, 1)]


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


# Quarter hours on which a counter stands at 113 mm and it rains 0.2 mm now and then, and what a
# fault makes of it: the rain of the whole must never be more than fell.
SHAPES = {
    "dip to zero": ([113, 113.2, 0, 113.2, 113.4], [0.2, None, None, 0.2]),
    "dip to zero of several readings": ([113, 0, 0, 0, 113.2, 113.4], [None] * 4 + [0.2]),
    "dip that flickers": ([20, 0, 5, 0, 20.2, 20.4], [None] * 4 + [0.2]),
    "dip to the middle": ([113, 60, 113.2, 113.4], [None, None, 0.2]),
    "rain meanwhile": ([113, 0, 0, 121, 121.2], [None, None, None, 0.2]),
    "spike": ([113, 1613, 113.2, 113.4], [None, None, 0.2]),
    "small spike": ([113, 150, 113.2, 113.4], [None, None, 0.2]),
    "spike of several readings": ([113, 900, 900.2, 113.4, 113.6], [None] * 3 + [0.2]),
    "up, down and back": ([113, 900, 0, 113.4, 113.6], [None] * 3 + [0.2]),
    "down, up and back": ([113, 0, 900, 113.4, 113.6], [0, None, None, 0.2]),
    "reset": ([113, 0, 0.2, 1], [0, 0.2, 0.8]),
    "reset in rain": ([113, 3, 5, 6], [3, 2, 1]),
    "reset, then a leap": ([113, 0, 40, 40.2], [0, None, 0.2]),
    "reset, the old height passed in rain": ([6, 0, 2, 4, 6, 8], [0, 2, 2, 2, 2]),
    "rolled over unsaid at a power of ten": ([999.8, 0.2, 0.4], [0.2, 0.2]),
    "rolled over unsaid at a power of two": ([13107, 0, 0.2], [0, 0.2]),
    "another counter, higher": ([113, 876, 876.2], [None, 0.2]),
    "another counter, a little higher": ([113, 173, 173.2], [None, 0.2]),
    "another counter, lower": ([800, 300, 300.2], [None, 0.2]),
    "another counter, much lower": ([800, 40, 40.2], [None, 0.2]),
    "a cloudburst has rain beside it": ([10, 20, 80, 95], [10, 60, 15]),
    "rain so heavy never was": ([10, 60, 300, 360], [50, None, 60]),
}


@pytest.mark.parametrize("gap", [0, 1, 2], ids=["no gap", "gap before", "gap after"])
@pytest.mark.parametrize("shape", SHAPES)
def test_a_fault_is_no_rain(shape: str, gap: int) -> None:
    """A gap of two days before or after the faulty reading changes nothing but rates of rain."""
    totals, rain = SHAPES[shape]
    hours = [10 + i / 4 for i in range(len(totals))]
    if gap and ("dip to" in shape or "spike" in shape) and "several" not in shape:
        first = 2 if shape == "dip to zero" else 1
        hours = [h + 48 * (i >= first + gap - 1) for i, h in enumerate(hours)]
    found = steps(totals, hours, interval_s=900.0)
    assert found["rain_mm"].to_list() == pytest.approx(rain, abs=1e-9)
    assert found["reason"].is_null().equals(found["rain_mm"].is_not_null())
    assert found["covered_s"].is_null().equals(found["rain_mm"].is_null())


def test_a_reason_names_the_fault() -> None:
    reasons = [
        steps(totals, interval_s=900.0)["reason"].drop_nulls().to_list()
        for totals in ([113.0, 0.0, 113.2], [5.0, 900.0], [800.0, 300.0])
    ]
    assert reasons == [
        [rain_counter.CAME_BACK] * 2,
        [rain_counter.JUMPED],
        [rain_counter.FELL],
    ]


@pytest.mark.parametrize(("days", "reason"), [(365, None), (365.5, rain_counter.SILENT)])
def test_what_fell_in_more_than_a_year_is_told_of_no_day(days: float, reason: str | None) -> None:
    found = steps([10.0, 11.0, 31.0, 32.0], [0, 1, 24 * days + 1, 24 * days + 2])
    assert found["reason"].to_list() == [None, reason, None]
    assert found["rain_mm"].to_list() == [1.0, None if reason else 20.0, 1.0]


def test_the_records_bound_what_falls_in_a_time() -> None:
    """A rise in step with its neighbors is rain up to the record of its duration, and no more."""
    for minutes, record in zip(rain_records.RECORD_MIN[:5], rain_records.RECORD_MM, strict=False):
        for share, known in ((0.99, True), (1.01, False)):
            totals = [0.0, 0.2 * record, (0.2 + share) * record, (0.4 + share) * record]
            found = steps(totals, [i * minutes / 60 for i in range(4)], interval_s=minutes * 60.0)
            assert found["rain_mm"].is_not_null().to_list() == [True, known, True]


@settings(deadline=None)
@given(
    st.lists(st.integers(0, 8), min_size=12, max_size=60),
    st.integers(50, 2000),
    st.integers(1, 6),
    st.integers(1, 4),
    st.sampled_from([0.0, 0.5, 8.0]),
)
def test_a_dip_or_a_spike_adds_no_rain(tips, start, at, length, to_share) -> None:
    """Quarter hours of rain; ``length`` readings stand at a share of the height instead."""
    true = [start + 0.2 * sum(tips[: i + 1]) for i in range(len(tips))]
    read = [
        to_share * true[at] if at <= i < at + length else height for i, height in enumerate(true)
    ]
    found = steps(read, [i / 4 for i in range(len(read))], interval_s=900.0)
    assert found["rain_mm"].sum() <= true[-1] - true[0] + 1e-6
    outside = [not at <= i <= at + length for i in range(1, len(true))]
    assert found["rain_mm"].is_not_null().to_list() == outside


def test_a_total_since_midnight_may_come_to_the_same_again() -> None:
    midnight = -frames.farm()["standard_offset_h"].item()
    hours = [midnight + h for h in range(-5, 20)]
    totals = [10.9 if h <= 0 else 0.0 if h < 10 else 11.4 for h in range(-5, 20)]
    found = steps(totals, hours)
    assert found["rain_mm"].null_count() == 0
    assert found["rain_mm"].sum() == pytest.approx(11.4)
    # The same fall for an hour only, or at another time of the day, is a dip.
    short = steps([10.9 if h <= 0 or h > 1 else 0.0 for h in range(-5, 20)], hours)
    assert short["rain_mm"].sum() == 0
    later = steps(totals, [hour + 6 for hour in hours])
    assert later["rain_mm"].sum() == 0


def test_a_total_that_is_set_to_zero_daily_may_pass_a_height_of_the_day_before() -> None:
    """It rose past a height, was set to zero, lay there for hours, and came to that height again."""
    totals = [0.0, 1.1, 5.8, 10.4, 10.9, *[0.0] * 8, 1.1, 1.3, 2.8]
    assert steps(totals)["rain_mm"].sum() == pytest.approx(13.7)
    # A spike that passes through zero for one reading only is a spike.
    spike = steps([*[3.0] * 3, 900.0, 0.0, *[3.0] * 3])
    assert spike["rain_mm"].sum() == 0
