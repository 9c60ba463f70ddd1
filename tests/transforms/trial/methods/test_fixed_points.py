"""The fixed points are those of an independent library, and spread evenly."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from transforms.trial.methods.fixed_points import MOST_DIMENSIONS, SEED, fixed_points


@pytest.mark.parametrize("dimensions", range(1, MOST_DIMENSIONS + 1))
def test_points_are_those_of_scipy(dimensions: int) -> None:
    theirs = stats.qmc.Sobol(dimensions, scramble=True, rng=SEED).random(4096)
    assert np.array_equal(fixed_points(dimensions), theirs)


def test_each_dimension_has_one_point_in_each_part() -> None:
    for column in fixed_points(3).T:
        assert np.array_equal(np.sort((column * 4096).astype(int)), np.arange(4096))


def test_more_dimensions_are_an_error() -> None:
    with pytest.raises(ValueError, match="at most 5"):
        fixed_points(MOST_DIMENSIONS + 1)
