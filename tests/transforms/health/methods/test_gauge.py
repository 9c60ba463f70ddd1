from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from tests.transforms.frames import farm, rows
from transforms.health.methods import gauge
from transforms.methods.penman import extraterrestrial, mean_saturation

FIRST = date(2020, 4, 1)


def season(seed, n=900, *, caught=lambda i: 1.0, wet_share=0.3):
    """Weather in which rain falls on two of three humid, dark days and seldom on others."""
    rng = np.random.default_rng(seed)
    out = []
    days = pl.Series([FIRST + timedelta(days=i) for i in range(n)])
    tops = pl.select(extraterrestrial(pl.lit(50.0), days.dt.ordinal_day().cast(float))).to_series()
    for i, (day, top) in enumerate(zip(days, tops, strict=True)):
        cold = day.month in (11, 12, 1, 2, 3)
        gloomy = rng.random() < wet_share
        fell = rng.gamma(1.0, 8.0) + 1 if rng.random() < (0.7 if gloomy else 0.06) else 0.0
        out.append(
            {
                "day": day,
                "rain_mm": fell * caught(i),
                "relative_humidity_mean_pct": rng.uniform(86, 99)
                if gloomy
                else rng.uniform(45, 84),
                "solar_energy_mj_m2": top
                * (rng.uniform(0.1, 0.33) if gloomy else rng.uniform(0.4, 0.75)),
                "air_temp_min_c": -5.0 if cold else 8.0,
            }
        )
    whole = dict.fromkeys(("rain_coverage", "humidity_coverage", "solar_coverage"), 1.0)
    return rows("weather_day", out, station="s", field="a", strip="check", readings=96, **whole)


def normal(mm=2.2):
    every = [date(2020, 1, 1) + timedelta(days=i) for i in range(366)]
    return rows(
        "normal_day",
        [{"month": d.month, "day_of_month": d.day, "rain_mm": mm} for d in every],
        days_in_year=366,
    )


NONE = rows("normal_day", [])


def found(weather, normals=NONE):
    return gauge.dry_gauges(weather, normals, farm())[0]


def test_a_gauge_that_catches_is_never_called_dry():
    """Forty stations over two and a half years each, with and without normals: no false alarm."""
    for seed in range(40):
        assert found(season(seed), normal() if seed % 2 else NONE).is_empty(), seed


@pytest.mark.parametrize("seed", range(6))
def test_a_gauge_that_stops_is_found_after_ten_days_that_look_like_rain(seed):
    blocked = found(season(seed, caught=lambda i: 0.02 if i >= 420 else 1.0))
    assert blocked.height >= 1
    first = blocked.sort("from_day").row(0, named=True)
    assert (first["finding"], first["part"]) == ("gauge dry", "rain gauge")
    assert 10 <= (first["from_day"] - FIRST).days - 420 <= 75


def test_one_that_is_cleaned_is_over():
    blocked = found(season(1, caught=lambda i: 0.0 if 420 <= i < 500 else 1.0))
    assert (blocked["to_day"].max() - FIRST).days < 560


def test_a_drought_is_no_blocked_gauge():
    dry = found(season(2, n=500, wet_share=0.005), normal())
    assert dry.is_empty()


def test_one_that_never_caught_is_found_by_the_normal_only():
    weather = season(3, n=200, caught=lambda i: 0.0)
    assert found(weather).is_empty()
    assert found(weather, normal()).height == 1
    assert found(season(3, n=200), normal()).is_empty()


def test_snow_and_parts_of_days_are_not_judged():
    weather = season(1, caught=lambda i: 0.0 if i >= 420 else 1.0)
    cold = weather.with_columns(air_temp_min_c=pl.lit(-3.0))
    part = weather.with_columns(humidity_coverage=pl.lit(0.5))
    for frame in (cold, part, weather.clear()):
        bad, seen = gauge.dry_gauges(frame, NONE, farm())
        assert bad.is_empty()
        assert seen.is_empty()


def test_days_on_which_a_counter_jumped_are_found_and_the_others_checked():
    weather = season(1, n=10).with_columns(
        rain_reason=pl.when(pl.int_range(pl.len()).is_between(3, 4)).then(pl.lit("it jumped"))
    )
    days, checked = gauge.counter_faults(weather)
    assert days.select("finding", "from_day", "to_day", "days").row(0) == (
        "counter jump",
        FIRST + timedelta(days=3),
        FIRST + timedelta(days=4),
        2,
    )
    assert checked["checked_to"].to_list() == [FIRST + timedelta(days=9)]


def test_vapor_pressure_and_temperature_stand_in_for_humidity():
    weather = season(0, caught=lambda i: 0.02 if i >= 420 else 1.0).with_columns(
        air_temp_max_c=pl.lit(20.0), air_temp_min_c=pl.lit(8.0)
    )
    as_vapor = weather.with_columns(
        vapour_pressure_mean_kpa=pl.col("relative_humidity_mean_pct")
        * mean_saturation(pl.col("air_temp_max_c"), pl.col("air_temp_min_c"))
        / 100,
        relative_humidity_mean_pct=pl.lit(None, pl.Float64),
    )
    measured = found(weather).select("from_day", "to_day")
    assert measured.height >= 1
    assert found(as_vapor).select("from_day", "to_day").equals(measured)


@settings(max_examples=50, deadline=None)
@given(caught=st.integers(0, gauge.RUN), rate=st.floats(0.0, 1.0))
def test_the_chance_of_so_few_is_the_binomial_one(caught, rate):
    chance = pl.select(gauge._at_most(pl.lit(caught), pl.lit(rate))).item()
    assert chance == pytest.approx(stats.binom.cdf(caught, gauge.RUN, rate), abs=1e-12)
