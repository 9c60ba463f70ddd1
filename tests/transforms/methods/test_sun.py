from datetime import UTC, datetime

import polars as pl
import pytest

from transforms.methods import sun


def one(expr: pl.Expr, **values: object) -> float:
    return float(pl.DataFrame({k: [v] for k, v in values.items()}).select(expr).item())


def test_day_length_of_the_fao_paper() -> None:
    # Allen et al. 1998, FAO Irrigation and Drainage Paper 56, example 9: 20 degrees south,
    # 3 September (day 246): 11.7 h of daylight.
    assert 2 * one(sun.half_day_h(pl.col("d"), -20.0), d=246) == pytest.approx(11.7, abs=0.05)
    # example 18: Brussels 50.80 north, 6 July (day 187): N = 16.1 h
    assert 2 * one(sun.half_day_h(pl.col("d"), 50.8), d=187) == pytest.approx(16.1, abs=0.05)


def test_polar_summer_and_winter_are_bounded() -> None:
    assert one(sun.half_day_h(pl.col("d"), 80.0), d=172) == pytest.approx(12)
    assert one(sun.half_day_h(pl.col("d"), 80.0), d=355) == pytest.approx(0)


def test_solar_noon_by_longitude() -> None:
    # Equation of time near zero on 15 April (within a minute); 90 degrees west is six hours.
    noon = datetime(2024, 4, 15, 18, tzinfo=UTC)
    assert one(sun.solar_hours(pl.col("t"), -90.0), t=noon) % 24 == pytest.approx(12, abs=0.05)
    # Early November the sun is a quarter of an hour and more ahead of the clock (16.4 minutes).
    november = datetime(2024, 11, 3, 12, tzinfo=UTC)
    assert one(sun.solar_hours(pl.col("t"), 0.0), t=november) % 24 - 12 == pytest.approx(
        16.4 / 60, abs=0.03
    )


def test_sunlight_falls_between_sunrise_and_sunset() -> None:
    share = [
        one(sun.sunlight_so_far(pl.col("x"), pl.col("h")), x=x, h=8.0)
        for x in (-11.0, -8.0, -4.0, 0.0, 4.0, 8.0, 11.0)
    ]
    assert share[0] == share[1] == pytest.approx(0)
    assert share[3] == pytest.approx(0.5)
    assert share[5] == share[6] == pytest.approx(1)
    assert share[2] + share[4] == pytest.approx(1)
    assert 0.1 < share[2] < 0.25  # less by the hour in the morning than at noon
