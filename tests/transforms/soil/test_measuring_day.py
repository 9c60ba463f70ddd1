"""measuring_day: moist by the drier strip's last known share, wet by two days' rain."""

from datetime import date, timedelta

import polars as pl
import pytest

from transforms.soil import measuring_day

FIRST = date(2024, 6, 1)


def derive(shares, rain, check=None):
    def day(n):
        return FIRST + timedelta(days=n)

    profile = pl.DataFrame(
        [
            {"field": "Home", "strip": strip, "day": day(n), "available_water_share": value}
            for strip, own in (("treated", shares), ("check", check or shares))
            for n, value in enumerate(own)
        ],
        schema_overrides={"available_water_share": pl.Float64},
    )
    rained = pl.DataFrame(
        [{"field": "Home", "day": day(n), "rain_mm": mm} for n, mm in enumerate(rain)],
        schema={"field": pl.String, "day": pl.Date, "rain_mm": pl.Float64},
    )
    return measuring_day.derive(profile, rained)


def test_moist_is_judged_by_the_drier_strip():
    out = derive([0.9, 0.72, 0.68], [0.0] * 3, check=[0.95, 0.69, 0.9])
    assert out["available_water_share"].to_list() == pytest.approx([0.9, 0.69, 0.68])
    assert out["moist"].to_list() == [True, False, False]


def test_a_share_stands_for_a_week():
    out = derive([0.9] + [None] * 9, [0.0] * 10)
    assert out["moist"].to_list() == [True] * 8 + [None] * 2


def test_rain_of_two_days_is_wet():
    out = derive([0.9] * 5, [0.0, 3.0, 2.5, 0.0, 0.0])
    assert out["rain_two_days_mm"].to_list() == pytest.approx([0, 3, 5.5, 2.5, 0])
    assert out["not_wet"].to_list() == [True, True, False, True, True]


def test_rain_that_nobody_recorded_is_not_dry():
    out = derive([0.9] * 3, [1.0, None, None])
    assert out["not_wet"].to_list() == [True, True, None]
    assert out["partial"].to_list() == [True, True, True]
