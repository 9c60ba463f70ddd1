from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.transforms import frames
from transforms.weather import rain_spell, weather_day

START = frames.utc("2024-05-01 00:00")


def at(hours: float) -> datetime:
    return START + timedelta(hours=hours)


def readings(
    values: list[tuple[float, float | None]], step_h: float = 1.0, **more: Any
) -> pl.DataFrame:
    """Rain by interval: pairs of hours since START (end of interval) and mm."""
    return frames.rows(
        "weather_reading",
        [
            {"station": "s", "time": at(h), "interval_s": step_h * 3600, "rain_mm": mm, **more}
            for h, mm in values
        ],
    )


def counter(values: list[tuple[float, float]]) -> pl.DataFrame:
    return frames.rows(
        "weather_reading",
        [
            {"station": "s", "time": at(h), "interval_s": 3600, "rain_counter_mm": mm}
            for h, mm in values
        ],
    )


def derive(reading: pl.DataFrame, **place: Any) -> list[dict[str, Any]]:
    frame = rain_spell.derive(reading, frames.farm(**place))
    frames.check(frame, "rain_spell")
    return frame.to_dicts()


def test_touching_wet_hours_are_one_spell_and_a_dry_hour_parts_two() -> None:
    first, second = derive(readings([(1, 0), (2, 1.0), (3, 2.0), (4, 0), (5, 0.5), (6, 0)]))
    assert (first["began"], first["ended"], first["rain_mm"]) == (at(1), at(3), 3.0)
    assert (second["began"], second["ended"], second["rain_mm"]) == (at(4), at(5), 0.5)
    assert first["step_h"] == 1.0
    assert first["day"] == date(2024, 5, 1)


def test_a_missing_value_is_no_rain_and_parts_spells() -> None:
    assert [r["rain_mm"] for r in derive(readings([(1, 1.0), (2, None), (3, 1.0)]))] == [1.0, 1.0]


def test_a_spell_is_cut_at_the_farm_s_day() -> None:
    rows = derive(readings([(8, 1.0), (9, 1.0), (10, 1.0), (11, 4.0)]), day_starts_h=9.0)
    assert [(r["day"], r["rain_mm"]) for r in rows] == [
        (date(2024, 4, 30), 2.0),
        (date(2024, 5, 1), 5.0),
    ]
    assert rows[0]["ended"] == rows[1]["began"]


def test_a_daily_record_gives_the_day_and_says_so() -> None:
    (row,) = derive(readings([(24, 12.0), (48, 0.0)], step_h=24))
    assert (row["began"], row["ended"], row["step_h"]) == (at(0), at(24), 24.0)


def test_a_counter_gives_spells_between_its_readings() -> None:
    rows = derive(counter([(1, 100), (2, 100), (3, 104), (4, 106), (5, 106), (12, 109)]))
    assert [(r["began"], r["ended"], r["rain_mm"], r["step_h"]) for r in rows] == [
        (at(2), at(4), 6.0, 1.0),
        (at(5), at(12), 3.0, 7.0),
    ]


def test_of_two_records_of_a_day_the_one_that_covers_more_is_taken() -> None:
    both = pl.concat(
        [readings([(h, 1.0) for h in range(1, 4)]), counter([(h, 2.0 * h) for h in range(4, 23)])]
    )
    assert sum(r["rain_mm"] for r in derive(both)) == pytest.approx(36.0)


def test_a_stuck_gauge_gives_no_spell() -> None:
    assert derive(readings([(h, 200.0) for h in range(1, 24)])) == []


def test_nothing_gives_nothing() -> None:
    assert derive(readings([])) == []


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(1, 200), st.one_of(st.none(), st.integers(0, 40))),
        min_size=1,
        max_size=60,
        unique_by=lambda pair: pair[0],
    ),
    st.booleans(),
)
def test_the_spells_of_a_day_add_up_to_the_day_s_rain(
    values: list[tuple[int, int | None]], by_counter: bool
) -> None:
    if by_counter:
        total = 0.0
        running = []
        for hour, mm in sorted(values):
            total += mm or 0
            running.append((float(hour), total))
        reading = counter(running)
    else:
        reading = readings([(float(h), mm) for h, mm in values])
    spells = rain_spell.derive(reading, frames.farm())
    daily = weather_day.derive(reading, frames.rows("station_spell", []), frames.farm())
    by_day = dict(spells.group_by("day").agg(pl.col("rain_mm").sum()).iter_rows())
    for row in daily.iter_rows(named=True):
        assert by_day.get(row["day"], 0.0) == pytest.approx(row["rain_mm"] or 0.0)
    ordered = spells.filter(pl.col("began") < pl.col("ended").shift(1).over("day"))
    assert ordered.is_empty()


def test_rain_that_weather_day_leaves_out_makes_no_spell() -> None:
    burst = readings([(1, 2.0), (2, 900.0), (3, 2.0)])
    assert [(r["began"], r["rain_mm"]) for r in derive(burst)] == [(at(0), 2.0), (at(2), 2.0)]
    assert derive(readings([(24, 1830.0)], step_h=24.0)) == []
    assert derive(counter([(float(h), 85.0 * h) for h in range(25)])) == []
