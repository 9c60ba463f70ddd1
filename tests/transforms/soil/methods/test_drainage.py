from __future__ import annotations

from typing import Any

import polars as pl
import pytest

from tests.transforms import frames
from transforms.soil.methods.drainage import estimate


def days(
    above: list[float | None],
    *,
    et: float | None = 2.0,
    drained: bool = True,
    wetted: bool = True,
    gated: bool = False,
    beneath: float = 0.0,
    rises: bool = False,
) -> pl.DataFrame:
    """Days on which 10 mm leave the profile each, the deepest layer at ``above`` its drained upper limit."""
    n = len(above)
    return pl.DataFrame(
        {
            "field": ["f"] * n,
            "season": [2024] * n,
            "strip": ["check"] * n,
            "day": frames.days("2024-06-01", n),
            "first": [i == 0 for i in range(n)],
            "filled_mm": [300.0 - 6 * i for i in range(n)],
            "water_mm": [4.0] * n,
            "et_mm": pl.Series([et] * n, dtype=pl.Float64),
            "above_pct": pl.Series(above, dtype=pl.Float64),
            "drained": [drained] * n,
            "wetted": [wetted] * n,
            "wet_et_mm": pl.Series([et] * n, dtype=pl.Float64),
            "gated": [gated] * n,
            "likely_gated": [gated] * n,
            "closed": [False] * n,
            "beneath_mm": [beneath] * n,
            "rises": [rises] * n,
        }
    )


def drainage(above: list[float | None], **change: Any) -> dict[str, Any]:
    return estimate(days(above, **change)).row(0, named=True)


def test_only_days_that_begin_or_end_above_the_drained_upper_limit_drain() -> None:
    row = drainage([-5, -5, 0.3, -5, -5])
    # Two days, 10 mm each, of which the crop takes 2 mm each, at least 0.6.
    assert row["drainage_d"] == 2
    assert row["drainage_high_mm"] == pytest.approx(18.8)
    assert row["drainage_mm"] == pytest.approx(16)


@pytest.mark.parametrize(
    ("above", "draining"),
    [
        ([1, None, None, -5, -5], 3),  # drains until it is seen not to
        ([-5, None, None, 1, -5], 4),
        ([-5, None, None, -5, -5], 0),
        ([-5, -5, -5, None, None], 2),  # nothing known of the end
        ([None, None, -5, -5, -5], 2),
    ],
)
def test_a_gap_is_dry_only_between_dry_days(above: list[float | None], draining: int) -> None:
    assert drainage(above)["drainage_d"] == draining


def test_noise_does_not_add_up_over_a_run() -> None:
    frame = days([1] * 5, et=10.0).with_columns(
        filled_mm=pl.Series([300.0, 320.0, 288.0, 308.0, 276.0])
    )
    row = estimate(frame).row(0, named=True)
    # 16 mm of rain and 24 mm of storage left in four days, exactly what the crop wanted.
    assert row["drainage_high_mm"] == pytest.approx(28)
    assert row["drainage_mm"] == pytest.approx(0)


def test_the_crop_takes_on_draining_days_what_share_of_the_demand_it_took_on_others() -> None:
    """Forty days lose 10 mm of a demand of 20; then three drain and lose 30 each: 90 less 30."""
    frame = days([-5.0] * 41 + [1.0] * 3, et=20.0).with_columns(
        water_mm=pl.Series([4.0] * 41 + [24.0] * 3)
    )
    assert estimate(frame)["drainage_mm"][0] == pytest.approx(60)
    # too few days tell nothing: all of the demand
    short = frame.tail(14)
    assert estimate(short)["drainage_mm"][0] == pytest.approx(30)


def test_the_error_is_that_of_the_demand_and_never_beyond_the_bounds() -> None:
    assert drainage([1] * 5)["drainage_se_mm"] == pytest.approx(0.2 * 8)
    assert drainage([1] * 5, et=30.0)["drainage_se_mm"] == pytest.approx(4 / 12**0.5)
    assert drainage([1] * 5, et=None)["drainage_se_mm"] == pytest.approx(40 / 12**0.5)
    assert drainage([-0.5] * 5)["drainage_se_mm"] == pytest.approx(4 * 0.86 / 3.92, rel=1e-3)


def test_nothing_known_is_all_bound_and_no_estimate() -> None:
    row = drainage([None] * 5)
    assert row["drainage_mm"] is None
    assert row["drainage_se_mm"] is None
    assert row["drainage_high_mm"] == pytest.approx(40)
    assert row["drainage_from"] == "unknown"


def test_a_layer_never_seen_to_drain_with_nothing_dry_above_it_may_have_passed_the_surplus() -> (
    None
):
    """40 mm left, the crop wanted 8: half of the 32 as estimate, at most all but the 2.4 that it surely used."""
    row = drainage([0.5] * 5, drained=False)
    assert row["drainage_d"] == 4
    assert row["drainage_mm"] == pytest.approx(16)
    assert row["drainage_high_mm"] == pytest.approx(37.6)
    assert row["drainage_se_mm"] == pytest.approx(37.6 / 12**0.5)
    assert drainage([0.5] * 5, drained=False, et=10.0)["drainage_mm"] == 0


def test_a_dry_layer_above_lets_a_trickle_through_and_what_lies_beneath_it_may_go() -> None:
    row = drainage([0.5] * 5, drained=False, gated=True)
    assert row["drainage_from"] == "deepest layer never seen to drain"
    assert row["drainage_mm"] == row["drainage_high_mm"] == pytest.approx(0.4)
    assert drainage([0.5] * 5, drained=False, gated=True, wetted=False)["drainage_mm"] == 0
    falls = drainage([0.5] * 5, drained=False, gated=True, beneath=1.5)
    assert falls["drainage_high_mm"] == pytest.approx(6.4)
    # noise of what lies beneath does not add up, and what it gained is no drainage
    assert drainage([0.5] * 5, gated=True, beneath=-1.0)["drainage_high_mm"] == pytest.approx(0.4)
    # the layer is seen to drain, but no more can have come out than the layers beneath the dry one lost
    assert drainage([0.5] * 5, gated=True, beneath=1.5)["drainage_mm"] == pytest.approx(6.4)


def test_water_that_may_have_risen_is_in_the_lower_bound_and_in_no_estimate() -> None:
    row = drainage([-0.7] * 5, gated=True, rises=True)
    assert row["rises_d"] == 4
    assert row["drainage_low_mm"] == pytest.approx(-4 * 0.86)
    assert row["drainage_mm"] == pytest.approx(0.4)
    assert row["drainage_se_mm"] == pytest.approx((0.4 + 4 * 0.86) / 3.92, rel=1e-3)
    assert drainage([-0.7] * 5, gated=True)["drainage_low_mm"] == 0
