"""soil_points: where after a wetting rest is looked for."""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl
import pytest

from transforms.soil.methods.soil_points import points

FIRST = date(2024, 4, 1)


def _full(after_peak: list[float], lead: int = 40, tail: float | None = None) -> tuple[float, int]:
    """Full point and wettings of a record: dry at 30, a wetting, then these days, then falling."""
    last = after_peak[-1]
    step = 0.5 if tail is None else tail
    drying = [last - step * (i + 1) for i in range(30)]
    series = [30.0] * lead + after_peak + drying
    out = points(
        pl.DataFrame(
            {
                "probe": "p",
                "field": "f",
                "strip": "check",
                "depth_cm": 30.0,
                "day": [FIRST + timedelta(days=i) for i in range(len(series))],
                "vwc_pct": series,
            }
        )
    ).row(0, named=True)
    return out["full_point_pct"], out["wettings"]


def test_a_saturated_top_is_no_rest() -> None:
    """It stands at 40 for two days before it drains; rest comes at 35.5, not at 40."""
    full, wettings = _full([40.0, 40.0, 39.8, 39.6, 37.5, 36.3, 35.6, 35.5, 35.5, 35.4, 35.4])
    assert wettings == 1
    assert full == pytest.approx(35.6, abs=0.15)


def test_rest_from_the_second_day_on_counts() -> None:
    """Smoothed over three days the peak is the second; two days on the fall is down, then roots take more."""
    full, wettings = _full([40.0, 38.5, 38.0, 36.0, 35.9, 35.8], tail=0.6)
    assert wettings == 1
    assert full == pytest.approx(36.0, abs=0.2)


def test_a_halt_the_day_after_the_peak_is_no_rest() -> None:
    """Water held up for a day above a dense layer runs on the next."""
    full, wettings = _full(
        [40.2, 40.0, 39.4, 39.2, 38.9, 37.5, 36.2, 35.5, 35.4, 35.3, 35.3, 35.3], tail=0.6
    )
    assert wettings == 1
    assert full == pytest.approx(35.5, abs=0.1)


def test_rest_after_ten_days_is_no_longer_of_that_wetting() -> None:
    slow = [40.0 - 0.4 * i for i in range(15)]
    full, wettings = _full([*slow, *([slow[-1]] * 5)])
    assert wettings == 0
    assert full > 38
