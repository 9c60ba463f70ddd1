"""sensor_run: exactly the days on which something is so, whatever part of a record is looked at."""

from __future__ import annotations

from datetime import date, timedelta
from random import Random
from typing import Any

import polars as pl
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from schemas.tables.health.sensor_run import LOOKED_FOR, RECORDED, ROW, TEMPERATURE, VALUE, WATER
from tests.transforms.frames import check, farm, rows
from transforms.health import sensor_run

FIRST, N = date(2022, 11, 20), 90  # over a New Year
DAYS = [FIRST + timedelta(days=n) for n in range(N)]
DEPTHS = (10.0, 30.0, 50.0)
CHECKED = LOOKED_FOR["probe disturbed"]
Values = dict[tuple[float, int], dict[str, Any]]


def soil(values: Values, gone: frozenset[int] = frozenset()) -> pl.DataFrame:
    """A quiet probe in warm soil with what is given by depth and day."""
    usual = {"vwc_mean_pct": 30.0, "vwc_coverage": 1.0, "soil_temp_min_c": 9.0}
    return rows(
        "soil_day",
        [
            {"depth_cm": depth, "day": day, **usual, **values.get((depth, n), {})}
            for depth in DEPTHS
            for n, day in enumerate(DAYS)
            if n not in gone
        ],
        probe="p",
        field="a",
        strip="check",
        readings=24,
    )


def quality(stuck: frozenset[int], judged: frozenset[int]) -> pl.DataFrame:
    items = [
        {"day": day, "stuck": n in stuck if n in judged else None, "impossible": n in judged}
        for n, day in enumerate(DAYS)
    ]
    return rows("soil_quality_day", items, probe="p", depth_cm=30.0, quality="good", usable=True)


def weather(rain: dict[int, float]) -> pl.DataFrame:
    items = [{"day": day, "rain_mm": rain.get(n, 0.0)} for n, day in enumerate(DAYS)]
    good = {"rain_doubtful": False, "gauge_lost": False}
    return rows("weather_used_day", items, station="s", field="a", strip="check", **good)


def derive(**tables: pl.DataFrame) -> pl.DataFrame:
    spell = {"station": "s", "from_day": FIRST, "field": "a", "strip": "check"}
    every = {
        "soil_day": soil({}),
        "soil_quality_day": rows("soil_quality_day", []),
        "weather_used_day": weather({40: 20.0}),
        "station_spell": rows("station_spell", [spell]),
        "irrigation_day": rows("irrigation_day", []),
        "farm": farm(),
    }
    made = sensor_run.derive(**(every | tables))
    check(made, "sensor_run")
    return made


def days_of(made: pl.DataFrame, what: str, depth: float = 30.0) -> set[int]:
    """The numbers of the days on which something is so, each in one run only."""
    own = made.filter((pl.col("what") == what) & (pl.col("depth_cm") == depth))
    each = own.select(pl.date_ranges("day", "to_day")).to_series().explode().to_list()
    found = [(one - FIRST).days for one in each if one]
    assert len(found) == len(set(found))
    return set(found)


def test_a_run_ends_with_its_year_and_at_a_day_without() -> None:
    made = derive(soil_day=soil({}, gone=frozenset([60])))
    own = made.filter((pl.col("what") == WATER) & (pl.col("depth_cm") == 10)).select(
        "day", "to_day"
    )
    assert own.rows() == [
        (FIRST, date(2022, 12, 31)),
        (date(2023, 1, 1), DAYS[59]),
        (DAYS[61], DAYS[-1]),
    ]


def test_what_a_row_has_is_told_apart() -> None:
    lacks = {"vwc_mean_pct": None, "vwc_coverage": 0.0}
    values: Values = {
        (30.0, 5): lacks,
        (30.0, 6): lacks | {"soil_temp_mean_c": 9.5, "soil_temp_coverage": 0.3},
        (30.0, 7): lacks | {"salinity_mean_ds_m": 1.0},
        (30.0, 8): {"vwc_coverage": 0.2},
    }
    made = derive(soil_day=soil(values))
    every = set(range(N))
    assert days_of(made, ROW) == every
    assert days_of(made, VALUE) == every - {5}
    assert days_of(made, WATER) == every - {5, 6, 7}
    assert days_of(made, TEMPERATURE) == {6}
    assert days_of(made, RECORDED) == every - {5, 8}


numbers = st.frozensets(st.integers(0, N - 1))


@settings(max_examples=30)
@given(numbers, numbers)
def test_checks_of_quality_are_the_days_that_have_them(
    stuck: frozenset[int], judged: frozenset[int]
) -> None:
    made = derive(soil_quality_day=quality(stuck, judged))
    assert days_of(made, "stuck") == stuck & judged
    assert days_of(made, LOOKED_FOR["stuck"]) == judged
    assert days_of(made, "impossible") == judged
    assert days_of(made, LOOKED_FOR["impossible"]) == set(range(N))


def moved(n: int, by: float, depths: tuple[float, ...] = DEPTHS) -> Values:
    return {(d, i): {"vwc_mean_pct": 30.0 + by} for d in depths for i in range(n, N)}


@pytest.mark.parametrize("gone", [frozenset[int](), frozenset(range(52, 70))])
def test_a_probe_that_fell_is_disturbed_also_before_a_silence(gone: frozenset[int]) -> None:
    """What comes after weeks of silence says nothing of whether the soil was drying out by itself."""
    values = moved(50, -6.0) | moved(70, -14.0)
    made = derive(soil_day=soil(values, gone))
    assert days_of(made, "probe disturbed", 10.0) == ({50} if gone else {50, 70})
    assert set(range(40)) - {0} <= days_of(made, CHECKED, 10.0)
    assert not {40, 41, 42} & days_of(made, CHECKED, 10.0)  # rain explains a move


def test_two_depths_that_take_each_others_values_are_exchanged_and_the_upper_is_named() -> None:
    values: Values = {(50.0, n): {"vwc_mean_pct": 40.0} for n in range(60)}
    values |= {(30.0, n): {"vwc_mean_pct": 40.0} for n in range(60, N)}
    made = derive(soil_day=soil(values))
    assert days_of(made, "depths exchanged", 30.0) == {60}
    assert days_of(made, "depths exchanged", 50.0) == set()


@settings(max_examples=30)
@example(14, 2)  # a silence of more than a month before a move, and after one
@example(45, 1)
@given(st.integers(0, 2**32 - 1), st.integers(0, 3))
def test_a_year_alone_with_a_month_beside_it_is_as_in_the_whole_record(
    seed: int, silences: int
) -> None:
    values, gone, rain = _record(seed, silences)
    whole = derive(soil_day=soil(values, gone), weather_used_day=weather(rain))
    year = pl.col("day").dt.year()
    for own, beside in (
        (2022, pl.col("day") < date(2023, 2, 1)),
        (2023, pl.col("day") >= date(2022, 12, 1)),
    ):
        alone = derive(
            soil_day=soil(values, gone).filter(beside),
            weather_used_day=weather(rain).filter(beside),
        )
        assert alone.filter(year == own).equals(whole.filter(year == own))


def _record(seed: int, silences: int) -> tuple[Values, frozenset[int], dict[int, float]]:
    """Jumps about New Year, silences and rain, by a seed."""
    drawn = Random(seed)
    level = dict.fromkeys(DEPTHS, 30.0)
    values: Values = {}
    for n in range(N):
        jump = drawn.choice((0.0, 0.0, 0.0, -6.0, 6.0))
        for depth in DEPTHS:
            level[depth] += jump * drawn.choice((0.0, 1.0, 1.0))
            values[depth, n] = {"vwc_mean_pct": 30.0 + level[depth] % 25}
    begins = [drawn.choice((6, 8, 38, 43, 46)) for _ in range(silences)]
    gone = frozenset(n for b in begins for n in range(b, b + drawn.choice((1, 2, 12, 36))))
    return values, gone, {drawn.randrange(N): 12.0 for _ in range(4)}
