from collections.abc import Callable
from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from tests.transforms.frames import farm, rows
from transforms.health.methods import sunlight
from transforms.methods.penman import clear_sky, extraterrestrial

FIRST = date(2023, 1, 1)


def record(change: Callable[[int, float], float | None] = lambda i, v: v, n: int = 700):
    """A station with clear days and clouds; ``change`` gives day number and radiation."""
    rng = np.random.default_rng(2)
    days = pl.Series([FIRST + timedelta(days=i) for i in range(n)])
    top = pl.select(
        clear_sky(extraterrestrial(pl.lit(50.0), days.dt.ordinal_day().cast(float)), pl.lit(300.0))
    ).to_series()
    sky = np.where(rng.random(n) < 0.3, rng.uniform(0.94, 1.02, n), rng.uniform(0.1, 0.9, n))
    return rows(
        "weather_day",
        [
            {"day": day, "solar_energy_mj_m2": change(i, float(top[i] * sky[i]))}
            for i, day in enumerate(days)
        ],
        station="s",
        solar_coverage=1.0,
        readings=24,
    )


def found(frame: pl.DataFrame) -> list[tuple[str, date, date]]:
    return sunlight.alone(frame, farm())[0].select("finding", "from_day", "to_day").rows()


def test_a_sound_sensor_has_no_finding() -> None:
    assert found(record()) == []


def test_a_sensor_that_reads_half_is_low_and_one_with_a_wrong_factor_is_high() -> None:
    (low,) = found(record(lambda i, v: v * 0.5 if i >= 400 else v))
    assert low[0] == "radiation low"
    assert low[2] == FIRST + timedelta(days=699)
    (high,) = found(record(lambda i, v: v * 1.4 if i >= 400 else v))
    assert high[0] == "radiation high"
    assert FIRST + timedelta(days=330) <= high[1] <= FIRST + timedelta(days=420)


def test_days_of_nothing_need_no_partner_and_no_two_months() -> None:
    none = record(lambda i, v: 0.0 if 150 <= i < 155 else v, n=200)
    assert found(none) == [
        ("radiation low", FIRST + timedelta(days=150), FIRST + timedelta(days=154))
    ]
    assert found(record(lambda i, v: 0.0 if i == 150 else v, n=200)) == []


def test_a_winter_sun_is_not_judged() -> None:
    low = record(lambda i, v: 0.0).with_columns(day=pl.col("day"))
    polar = sunlight.alone(low, farm(latitude_deg=75.0))[0]
    assert polar["from_day"].dt.month().is_between(2, 10).all()


@pytest.mark.parametrize(
    ("part", "column"),
    [("radiation", "solar_energy_mj_m2"), ("air pressure", "air_pressure_mean_kpa")],
)
def test_a_sum_or_mean_that_repeats_for_days_is_stuck(part: str, column: str) -> None:
    rng = np.random.default_rng(1)
    frame = record(n=200).with_columns(air_pressure_mean_kpa=pl.Series(rng.normal(97, 0.4, 200)))
    assert sunlight.stuck(frame)[0].is_empty()
    held = frame.with_columns(
        pl.when(pl.int_range(pl.len()).is_between(100, 108))
        .then(12.5)
        .otherwise(column)
        .alias(column)
    )
    spans = sunlight.stuck(held)[0]
    assert spans.select("part", "days").rows() == [(part, 8)]


def test_a_record_in_whole_units_repeats_itself_and_is_not_stuck() -> None:
    rng = np.random.default_rng(3)
    whole = record(n=600).with_columns(
        air_pressure_mean_kpa=pl.Series(np.round(97 + np.cumsum(rng.normal(0, 0.05, 600)), 1))
    )
    assert sunlight.stuck(whole)[0].is_empty()
