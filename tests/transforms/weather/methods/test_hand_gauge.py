"""Readings of a hand gauge on the days of the stations beside it."""

from datetime import date
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.transforms import frames
from tests.transforms.weather.rain_frames import SPELL
from transforms.weather.methods import hand_gauge

NOW = frames.rows("delivery", [{"received_at": frames.utc("2023-12-31 12:00")}])


def readings(*items: dict[str, Any], spells: pl.DataFrame = SPELL, **farm: Any) -> list[Any]:
    rows = [{"kind": "field", "place": "north", **item} for item in items]
    gauge = frames.rows("gauge", rows)
    return hand_gauge.readings(gauge, spells, NOW, frames.farm(**farm)).rows()


def day(number: int) -> date:
    return date(2023, 6, number)


@pytest.mark.parametrize(
    ("hour", "starts", "counts_to"),
    [
        (None, 0, 5),  # the day is that of the rain
        (7, 0, 4),  # 17 of its 24 hours are of the 4th
        (19, 0, 5),
        (12, 0, 5),  # half and half: the day of the reading
        (7, 7, 4),  # exactly the farm's day that began on the 4th at 7 h
        (19, 7, 5),  # half and half again
        (18, 7, 4),
        (0, 23, 3),
        (24, 0, 5),
    ],
)
def test_a_reading_with_an_hour_counts_to_the_day_that_holds_most_of_it(
    hour: float | None, starts: float, counts_to: int
) -> None:
    found = readings(
        {"read_day": day(5), "rain_mm": 8.0, "read_at_h": hour}, day_starts_h=float(starts)
    )
    assert found == [("a", day(counts_to), day(counts_to), 8.0)]


def test_a_total_begins_no_earlier_than_the_day_after_the_reading_before_it() -> None:
    found = readings(
        {"read_day": day(5), "rain_mm": 1.0},
        {"read_day": day(8), "rain_mm": 9.0, "over_d": 7},
        {"read_day": day(20), "rain_mm": 4.0, "over_d": 3},
    )
    assert found == [
        ("a", day(5), day(5), 1.0),
        ("a", day(8), day(6), 9.0),
        ("a", day(20), day(18), 4.0),
    ]


def test_an_evening_and_the_morning_after_are_one_day() -> None:
    found = readings(
        {"read_day": day(5), "rain_mm": 3.0, "read_at_h": 19.0},
        {"read_day": day(6), "rain_mm": 2.0, "read_at_h": 7.0},
    )
    assert found == [("a", day(5), day(5), 5.0)]


def test_a_field_s_gauge_stands_beside_all_its_stations_and_a_station_s_own_goes_first() -> None:
    spell = SPELL.row(0, named=True)
    spells = frames.rows(
        "station_spell",
        [
            spell,
            spell | {"station": "b", "strip": "treated", "to_day": day(6)},
            spell | {"station": "c", "field": "south"},
        ],
    )
    found = readings(
        {"read_day": day(6), "rain_mm": 5.0},
        {"read_day": day(7), "rain_mm": 6.0},
        {"kind": "station", "place": "b", "read_day": day(6), "rain_mm": 7.0},
        spells=spells,
    )
    assert [(name, on, mm) for name, on, _, mm in found] == [
        ("a", day(6), 5.0),
        ("a", day(7), 6.0),
        ("b", day(6), 7.0),
    ]


def test_a_day_that_has_not_come_yet_is_left_out() -> None:
    assert readings({"read_day": date(2062, 6, 5), "rain_mm": 8.0}) == []


@given(
    st.lists(
        st.tuples(st.integers(0, 40), st.integers(1, 9), st.sampled_from([None, 0.0, 7.0, 19.5])),
        unique_by=lambda row: row[0],
        max_size=20,
    ),
    st.randoms(use_true_random=False),
)
@settings(max_examples=40, deadline=None)
def test_all_that_was_read_is_there_once_in_any_order(rows: list[Any], random: Any) -> None:
    items = [
        {
            "read_day": date.fromordinal(day(1).toordinal() + n),
            "rain_mm": 1.0,
            "over_d": over,
            "read_at_h": hour,
        }
        for n, over, hour in rows
    ]
    found = readings(*items)
    assert sum(mm for *_, mm in found) == len(items)
    days = [
        on for _, last, since, _ in found for on in range(since.toordinal(), last.toordinal() + 1)
    ]
    assert len(days) == len(set(days))
    random.shuffle(items)
    assert readings(*items) == found
