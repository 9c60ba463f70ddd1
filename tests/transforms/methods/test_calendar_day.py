"""The day rule. DESIGN section 6: standard time all year, starting at ``day_starts``."""

from datetime import date, timedelta

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.transforms import frames
from transforms.methods import calendar_day


def day_of(text: str, **settings: float) -> date:
    time = pl.DataFrame({"time": [frames.utc(text)]})
    return time.select(calendar_day.day_of(pl.col("time"), frames.farm(**settings))).item()


@pytest.mark.parametrize(
    ("time", "offset_h", "starts_h", "day"),
    [
        ("2024-07-02 00:00", 0, 0, "2024-07-01"),  # midnight ends the day before
        ("2024-07-02 00:15", 0, 0, "2024-07-02"),
        ("2024-07-02 06:00", -6, 0, "2024-07-01"),  # midnight at the farm
        ("2024-07-02 06:01", -6, 0, "2024-07-02"),  # no daylight saving in July
        ("2024-01-02 06:01", -6, 0, "2024-01-02"),
        ("2024-07-02 15:00", -6, 9, "2024-07-01"),  # nine in the morning closes the day
        ("2024-07-02 15:01", -6, 9, "2024-07-02"),
        ("2024-07-01 23:00", 10, 9, "2024-07-01"),
        ("2024-07-01 23:01", 10, 9, "2024-07-02"),
        ("2024-07-02 00:00", 5.5, 0, "2024-07-02"),
    ],
)
def test_day_of_a_reading(time: str, offset_h: float, starts_h: float, day: str) -> None:
    found = day_of(time, standard_offset_h=offset_h, day_starts_h=starts_h)
    assert found == date.fromisoformat(day)


@given(
    st.datetimes(min_value=frames.utc("1990-01-01").replace(tzinfo=None)),
    st.integers(-56, 56),
    st.integers(0, 24),
)
def test_a_reading_lies_after_its_days_start_and_not_after_the_next(time, quarters, starts) -> None:
    if time.year > 2200:
        time = time.replace(year=2200, day=1)
    farm = frames.farm(standard_offset_h=quarters / 4, day_starts_h=float(starts))
    frame = (
        pl.DataFrame({"time": [time]})
        .cast(pl.Datetime("us"))
        .with_columns(pl.col("time").dt.replace_time_zone("UTC"))
    )
    row = frame.with_columns(day=calendar_day.day_of(pl.col("time"), farm)).with_columns(
        start=calendar_day.starts_at(pl.col("day"), farm),
        after=calendar_day.day_after(pl.col("time"), farm),
    )
    start, at = row["start"].item(), row["time"].item()
    assert start < at <= start + timedelta(days=1)
    on_border = at == start + timedelta(days=1)
    assert (row["after"].item() - row["day"].item()).days == (1 if on_border else 0)


def test_a_farm_of_no_row_is_refused() -> None:
    with pytest.raises(ValueError, match="one row"):
        calendar_day.shift(frames.farm().clear())


def test_covered_seconds_count_overlaps_once_and_never_look_into_another_day() -> None:
    times = ["2024-05-01 01:00", "2024-05-01 01:30", "2024-05-01 05:00", "2024-05-02 00:30"]
    frame = pl.DataFrame(
        {
            "time": [frames.utc(t) for t in times],
            "interval_s": [3600.0] * 4,
            "group": [0, 0, 0, 1],
            "x": [1.0, 2.0, 3.0, 4.0],
        }
    )
    covered = frame.select(calendar_day.covered_s(pl.col("x").is_not_null(), "group"))
    assert covered.to_series().to_list() == [3600.0, 1800.0, 3600.0, 3600.0]


def test_spells_hold_from_first_to_last_day() -> None:
    spells = frames.rows(
        "station_spell",
        [
            {
                "station": "a",
                "from_day": date(2024, 1, 2),
                "to_day": date(2024, 1, 3),
                "field": "n",
            },
            {"station": "a", "from_day": date(2024, 1, 5), "to_day": None, "field": "s"},
        ],
    )
    days = pl.DataFrame(
        {"station": ["a"] * 6 + ["b"], "day": [*frames.days("2024-01-01", 6), date(2024, 1, 2)]}
    )
    placed = calendar_day.in_spell(days, spells, "station", ["field"]).sort("station", "day")
    assert placed["field"].to_list() == [None, "n", "n", None, "s", "s", None]
