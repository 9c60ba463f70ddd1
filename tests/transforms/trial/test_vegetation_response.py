"""vegetation_response: a curve of known shape, its half-maximum days, its area."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest
from scipy import integrate, optimize

from tests.transforms.frames import check, rows
from transforms.methods.alike_ground import APART
from transforms.trial import vegetation_response

FIRST = date(2024, 5, 1)


def curve(day: Any, earlier: float = 0.0, peak: float = 0.8) -> Any:
    """Double logistic from 0.2 to ``peak``, half up on day 35 and half down on day 95."""
    up = 1 / (1 + np.exp(-(day - 35 + earlier) / 4))
    down = 1 / (1 + np.exp((day - 95) / 5))
    return 0.2 + (peak - 0.2) * up * down


def derive(days, earlier=3.0, peak=0.85, half=0.02, *, length=130, reason=None):
    items = [
        {
            "field": "north",
            "day": FIRST + timedelta(days=int(d)),
            "source": "images",
            "season": 2024,
            "crop": "pea",
            "treated_index": float(curve(d, earlier, peak)),
            "check_index": float(curve(d)),
            "difference": float(curve(d, earlier, peak) - curve(d)),
            "difference_low": float(curve(d, earlier, peak) - curve(d)) - half,
            "difference_high": float(curve(d, earlier, peak) - curve(d)) + half,
            "coverage": 1.0,
            "reason": reason,
        }
        for d in days
    ]
    season = {"field": "north", "season": 2024, "crop": "pea", "seeded": FIRST}
    season["harvested"] = FIRST + timedelta(days=length)
    out = vegetation_response.derive(
        vegetation_pair=rows("vegetation_pair", items), season=rows("season", [season])
    )
    check(out, "vegetation_response")
    return out.to_dicts()


def half_day(level: float, low: float, high: float, *shape: float) -> float:
    return optimize.brentq(lambda d: curve(d, *shape) - level, low, high)


def test_days_and_area_of_a_known_curve() -> None:
    """Against scipy: root of the curve at half its height, and its integral."""
    (row,) = derive(range(0, 131, 5))
    peaks = [curve(np.linspace(0, 130, 9999), *s).max() for s in ((3.0, 0.85), ())]
    assert row["treated_peak"] == pytest.approx(peaks[0], abs=0.003)
    assert row["peak_difference"] == pytest.approx(peaks[0] - peaks[1], abs=0.003)
    ups = [
        half_day(0.5 * (p + 0.2), 10, 60, *s) for p, s in zip(peaks, ((3.0, 0.85), ()), strict=True)
    ]
    downs = [
        half_day(0.5 * (p + 0.2), 70, 129, *s)
        for p, s in zip(peaks, ((3.0, 0.85), ()), strict=True)
    ]
    assert row["green_up_later_d"] == pytest.approx(ups[0] - ups[1], abs=0.3)
    assert row["green_up_later_d"] == pytest.approx(-3, abs=0.3)
    assert (row["check_green_up_day"] - FIRST).days == pytest.approx(ups[1], abs=1)
    assert row["senescence_later_d"] == pytest.approx(downs[0] - downs[1], abs=0.3)
    assert (row["treated_senescence_day"] - FIRST).days == pytest.approx(downs[0], abs=1)
    areas = [integrate.quad(curve, 0, 130, s)[0] for s in ((3.0, 0.85), ())]
    assert row["treated_area_d"] == pytest.approx(areas[0], rel=0.005)
    assert row["area_difference_d"] == pytest.approx(areas[0] - areas[1], rel=0.02)
    assert (row["coverage"], row["partial"], row["reason"]) == (1, False, None)


def test_strips_far_apart_are_said_with_the_limits() -> None:
    (row,) = derive(range(0, 131, 5))
    assert "half of their length apart" not in row["limits"]
    (row,) = derive(range(0, 131, 5), reason=f"part of the strip is under cloud; {APART}")
    assert row["limits"].endswith("interval holds.") and APART in row["limits"]


def test_errors_of_days_add_up() -> None:
    """A ground that differs by as much every day moves the area by that times the days."""
    half = 0.03
    (row,) = derive(range(0, 131, 5), half=half)
    assert row["area_difference_high_d"] - row["area_difference_d"] == pytest.approx(half * 130)
    assert row["peak_difference_high"] - row["peak_difference"] == pytest.approx(half)
    steep = 0.6 / 4 / 4  # of a logistic at its middle, a day
    width = row["green_up_later_high_d"] - row["green_up_later_d"]
    assert width == pytest.approx(half / steep, rel=0.2)


def test_a_gap_over_green_up_gives_no_day_and_says_so() -> None:
    (row,) = derive([0, 10, 50, 60, 70, 80, 90, 100, 110, 120, 130])
    assert row["green_up_later_d"] is None
    assert row["senescence_later_d"] is not None
    assert row["longest_gap_d"] == 40
    assert row["coverage"] == pytest.approx(90 / 130)
    assert "no images on both sides of green-up" in row["reason"]


def test_images_after_green_up_only() -> None:
    (row,) = derive(range(60, 91, 5))
    assert row["treated_green_up_day"] is None
    assert row["treated_senescence_day"] is None
    assert row["area_difference_d"] is not None
    assert row["partial"]


def test_a_dip_by_thin_cloud_at_midsummer_moves_neither_day() -> None:
    days = list(range(0, 131, 5))
    (whole,) = derive(days)
    real = curve
    globals()["curve"] = lambda d, *s: 0.25 if d == 65 else real(d, *s)
    try:
        (dipped,) = derive(days)
    finally:
        globals()["curve"] = real
    assert dipped["check_green_up_day"] == whole["check_green_up_day"]
    assert dipped["check_senescence_day"] == whole["check_senescence_day"]


def test_two_images_or_one() -> None:
    (row,) = derive([40, 60])
    assert row["days_seen"] == 2
    assert "fewer than three days were seen" in row["reason"]
    (row,) = derive([40])
    assert row["longest_gap_d"] is None
    assert row["coverage"] == 0
