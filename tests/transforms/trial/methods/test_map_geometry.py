from __future__ import annotations

import numpy as np
import pytest
from pyproj import Geod
from scipy.stats import norm

from transforms.trial.methods.map_geometry import local_moran, plane


@pytest.mark.parametrize("latitude", [-35.0, 0.0, 49.9, 60.0])
@pytest.mark.parametrize("offset", [(0.008, 0.0), (0.0, 0.006), (-0.005, 0.004)])
def test_distances_on_the_plane_are_those_of_the_ellipsoid(
    latitude: float, offset: tuple[float, float]
) -> None:
    """Against the geodesic of WGS 84 (pyproj, Karney's method): a field's length within 5 cm."""
    middle = np.array([-98.2, latitude])
    place = middle + np.array(offset)
    east, north = plane(place[None, :], middle)[0]
    azimuth, _, distance = Geod(ellps="WGS84").inv(*middle, *place)
    assert np.hypot(east, north) == pytest.approx(distance, abs=0.05)
    assert np.degrees(np.arctan2(east, north)) == pytest.approx(azimuth, abs=0.01)


def test_the_index_and_its_moments_against_permutations() -> None:
    """Anselin 1995: total randomisation shuffles all values over all places."""
    rng = np.random.default_rng(3)
    xy = rng.uniform(0, 100, (30, 2))
    values = rng.gamma(2, 1, 30)
    apart = np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1))
    near = (apart <= 30) & (apart > 0)
    weights = near / near.sum(axis=1, keepdims=True)

    def by_hand(v: np.ndarray) -> np.ndarray:
        z = v - values.mean()
        return z * (z @ weights.T) / ((values - values.mean()) ** 2).mean()

    index, p = local_moran(xy, values, 30.0)
    assert index == pytest.approx(by_hand(values))
    shuffled = by_hand(rng.permuted(np.tile(values, (100_000, 1)), axis=1))
    z = np.abs(index - shuffled.mean(axis=0)) / shuffled.std(axis=0)
    # the two-sided p stands for this z
    assert norm.isf(p / 2) == pytest.approx(z, abs=0.03)


def test_a_spike_among_likes_is_unlike_them_and_nothing_else_is() -> None:
    xy = np.array([(x, y) for x in range(10) for y in range(10)], dtype=float)
    values = 100 + np.sin(xy[:, 0] / 3) * 5 + np.cos(xy[:, 1] / 3) * 5
    values[55] -= 40
    index, p = local_moran(xy, values, 1.5)
    assert ((index < 0) & (p < 0.001)).nonzero()[0].tolist() == [55]


@pytest.mark.parametrize("n", [0, 1, 3])
def test_too_few_points_have_no_outliers(n: int) -> None:
    _, p = local_moran(np.zeros((n, 2)), np.arange(float(n)), 10)
    assert p.tolist() == [1.0] * n


def test_a_point_alone_or_among_equals_is_no_outlier() -> None:
    xy = np.array([[0, 0], [1, 0], [2, 0], [3, 0], [1000, 0]], dtype=float)
    assert local_moran(xy, np.array([1.0, 2, 1, 2, 50]), 1.5)[1][4] == 1
    assert local_moran(xy, np.ones(5), 1.5)[1].tolist() == [1.0] * 5
