from datetime import timedelta
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.transforms import frames
from transforms.weather.methods import rain_records

START = frames.utc("2024-05-01")


def readings(*items: tuple[float, float, float], station: str = "a") -> pl.DataFrame:
    """Readings from end in minutes, interval in minutes and rain in mm."""
    rows: list[dict[str, Any]] = [
        {
            "station": station,
            "time": START + timedelta(minutes=end),
            "interval_s": minutes * 60.0,
            "rain_mm": mm,
        }
        for end, minutes, mm in items
    ]
    return frames.rows("weather_reading", rows)


def possible(frame: pl.DataFrame) -> list[tuple[float | None, float | None]]:
    found = rain_records.possible(frame, frames.farm())
    return list(found.select("rain_mm", "beyond_mm").iter_rows())


def test_the_records_are_those_of_the_wmo_archive() -> None:
    lengths = pl.Series([60.0, 42 * 60.0, 86_400.0, 2 * 86_400.0])
    assert rain_records.record_mm(lengths).to_list() == pytest.approx([31.2, 305, 1825, 2493])


@pytest.mark.parametrize(
    ("minutes", "mm", "is_rain"),
    [
        *((1, 31.0, True), (1, 32.0, False), (60, 360.0, True), (60, 900.0, False)),
        *((1440, 1361.0, True), (1440, 1830.0, False), (2880, 2400.0, True)),
    ],
)
def test_a_reading_is_held_against_the_record_of_its_length(
    minutes: float, mm: float, is_rain: bool
) -> None:
    assert possible(readings((minutes, minutes, mm))) == [(mm, None) if is_rain else (None, mm)]


def test_an_hour_of_minutes_that_are_possible_alone_is_not() -> None:
    hour = [(n, 1.0, 20.0) for n in range(1, 61)]
    after = [(n, 1.0, 0.2) for n in range(61, 121)]
    found = possible(readings(*hour, *after))
    assert found[:60] == [(None, 20.0)] * 60
    assert found[60:] == [(0.2, None)] * 60


def test_a_day_of_hours_that_are_possible_alone_is_not() -> None:
    found = possible(readings(*[(60.0 * n, 60.0, 100.0) for n in range(1, 25)]))
    assert found == [(None, 100.0)] * 24


@settings(max_examples=50, deadline=None)
@given(st.lists(st.sampled_from([0.0, 0.2, 5.0, 40.0, 250.0, 800.0]), min_size=48, max_size=48))
def test_a_day_alone_gives_what_it_gives_among_others(rain: list[float]) -> None:
    both = readings(*[(60.0 * (n + 1), 60.0, mm) for n, mm in enumerate(rain)])
    each = [possible(both.head(24)), possible(both.tail(24))]
    assert [*each[0], *each[1]] == possible(both)
    other = readings(*[(60.0 * (n + 1), 60.0, mm) for n, mm in enumerate(rain)], station="b")
    assert possible(pl.concat([both, other])) == possible(both) * 2
