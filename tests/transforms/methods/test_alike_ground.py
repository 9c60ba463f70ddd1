"""What ground may make of two strips: textures of known likeness, laid without a difference.

The textures (spherical, Gaussian with noise, a power law; circulant embedding) are not among those of the
method's grid, except exp(-d). Wider benches: ``tests.bench.bench_image_ground``.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from tests.image_ground import covered, strips, texture
from transforms.methods import alike_ground


@pytest.mark.parametrize(
    ("texture_of", "layout"),
    [
        (("exponential", 10.0), (80, 4, 2)),
        (("spherical", 40.0), (80, 4, 2)),
        (("gaussian", 8.0, 0.3), (40, 3, 8)),
        (("power", 2.5), (80, 4, 8)),
        (("exponential", 10.0), (20, 2, 2)),
    ],
)
def test_intervals_of_land_without_a_difference_hold_zero(texture_of, layout) -> None:
    """120 pairs of strips: 95% of them, less three standard errors; not all far too wide."""
    held, wide = covered(texture(*texture_of), 120, *layout, seed=31)
    assert held >= 0.95 - 3 * (0.95 * 0.05 / 120) ** 0.5
    assert wide < 2.5


def test_strips_side_by_side_share_ground_that_strips_apart_do_not() -> None:
    """The same land: an interval twice as wide for strips 30 pixels apart."""
    land = texture("exponential", 40.0).draw(np.random.default_rng(3))[0]
    near, far = (alike_ground.half_width(*strips(land, 60, 4, gap)) for gap in (0, 30))
    assert near is not None
    assert far is not None
    assert far > 2 * near


def test_of_unrelated_pixels_it_is_near_a_t_test() -> None:
    """White noise: against scipy's t test of all pixels, on average of 40."""
    rng = np.random.default_rng(8)
    ratio = []
    for _ in range(40):
        land = rng.normal(size=(60, 12))
        test = stats.ttest_ind(land[:, :5].ravel(), land[:, 6:11].ravel())
        half = np.ptp(test.confidence_interval()) / 2
        ratio.append(alike_ground.half_width(*strips(land, 60, 5, 1)) / half)
    assert 0.9 < np.median(ratio) < 2


def test_scale_and_level_of_the_index_do_not_matter() -> None:
    land = texture("exponential", 5.0).draw(np.random.default_rng(4))[0]
    plain = alike_ground.half_width(*strips(land, 40, 4, 0))
    other = alike_ground.half_width(*strips(0.3 + 0.01 * land, 40, 4, 0))
    assert other == pytest.approx(0.01 * plain, rel=1e-6)
    assert alike_ground.half_width(*strips(0 * land, 40, 4, 0)) == 0


def test_turned_strips_and_another_unit_give_the_same() -> None:
    """Rows and columns exchanged; pixels of 10 m, counted in meters."""
    land = texture("exponential", 5.0).draw(np.random.default_rng(5))[0]
    plain = alike_ground.half_width(*strips(land, 20, 2, 1))
    assert alike_ground.half_width(*strips(land, 20, 2, 1, turned=True)) == pytest.approx(plain)
    meters = strips(land, 20, 2, 1, pixel=(10.0, 10.0))
    assert alike_ground.half_width(*meters) == pytest.approx(plain)


def test_pixels_that_are_higher_than_wide_lie_as_far_apart_as_they_are() -> None:
    """Land of square pixels seen as means of two rows: likeness by true distance, so about the same."""
    rng = np.random.default_rng(9)
    ratio = []
    for _ in range(20):
        land = texture("exponential", 8.0).draw(rng)[0]
        plain = alike_ground.half_width(*strips(land, 80, 4, 2))
        rows = land.reshape(-1, 2, land.shape[1]).mean(axis=1)
        high = alike_ground.half_width(*strips(rows, 40, 4, 2, pixel=(2.0, 1.0)))
        flat = alike_ground.half_width(*strips(rows, 40, 4, 2))
        ratio.append((high / plain, flat / plain))
    true, wrong = np.median(ratio, axis=0)
    assert true == pytest.approx(1, abs=0.15)
    assert abs(true - 1) < abs(wrong - 1)


def test_cells_hold_all_pixels_and_leave_out_what_is_under_cloud() -> None:
    rng = np.random.default_rng(6)
    rows, columns = (a.ravel() for a in np.mgrid[0:90, 0:7])
    values, weight = rng.normal(size=rows.size), rng.uniform(0.2, 1, rows.size)
    of = alike_ground.cells(rows, columns, values, weight)
    assert len(of.pixels) <= alike_ground.MOST_CELLS
    assert of.pixels.sum() == pytest.approx(weight.sum())
    assert np.average(of.means, weights=of.pixels) == pytest.approx(
        np.average(values, weights=weight)
    )
    values[rows < 45] = np.nan
    less = alike_ground.cells(rows, columns, values, weight)
    assert less.places[:, 0].min() >= 43
    assert less.pixels.sum() == pytest.approx(weight[rows >= 45].sum(), rel=0.1)


def test_two_pixels_are_too_few() -> None:
    land = np.random.default_rng(7).normal(size=(2, 4))
    assert alike_ground.half_width(*strips(land, 2, 1, 1)) is None
