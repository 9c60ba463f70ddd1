"""field_effects: against a known fit, by simulation with field effects, and by drawing."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from transforms.trial.methods.field_effects import alike, fitted
from transforms.trial.methods.trial_pooling import fixed_points

ONES = np.ones((8, 1))
FIELD = np.repeat(np.arange(4), 2)


def _one(rng: np.random.Generator, fields: int, between: float, share: float):
    """Two to five seasons a field, own errors of 60 to 110, a fade of 40 a year from 240."""
    field = np.repeat(np.arange(fields), rng.integers(2, 6, fields))
    year = np.concatenate([np.arange((field == f).sum()) for f in range(fields)]).astype(float)
    own = rng.uniform(60, 110, field.size)
    shared = rng.normal(0, between * share**0.5, fields)[field]
    seasons = rng.normal(0, between * (1 - share) ** 0.5, field.size)
    true = 240 - 40 * year + shared + seasons
    return field, year, true, own, true + rng.normal(0, own)


def test_fields_are_told_apart_only_where_one_has_two_seasons() -> None:
    assert alike(["a", "a", "b"])
    assert not alike(["a", "b", "c"])
    assert not alike(["a", "a", "a"])


@pytest.mark.parametrize("share", [0.5, 0.8])
def test_interval_covers_where_seasons_of_a_field_are_alike(share: float) -> None:
    """At 240 trials 93 to 97 % has a standard error of 1.4: loose bounds."""
    rng = np.random.default_rng(4)
    hit = np.zeros(3)
    trials = 240
    for _ in range(trials):
        field, year, _, own, y = _one(rng, 4, 150.0, share)
        found = fitted(y, own**2, np.column_stack([np.ones(y.size), year]), field)
        for i, row in enumerate(([1.0, 0.0], [0.0, 1.0], [1.0, 2.0])):
            at = found.at(row)
            hit[i] += at.low <= 240 * row[0] - 40 * row[1] <= at.high
    assert (hit / trials >= 0.90).all()
    assert (hit / trials <= 0.995).all()


def test_true_values_are_held_by_what_is_said_of_them() -> None:
    """Each site-year's own value within its 95 % limits, and nearer than the measured one."""
    rng = np.random.default_rng(5)
    z, measured, drawn = [], [], []
    for _ in range(120):
        field, year, true, own, y = _one(rng, 4, 50.0, 0.3)
        mixture = fitted(y, own**2, np.column_stack([np.ones(y.size), year]), field)
        mean, covariance = mixture.true_values()
        middle = mixture.chance @ mean
        variance = mixture.chance @ (
            np.diagonal(covariance, axis1=1, axis2=2) + (mean - middle) ** 2
        )
        z.extend(np.abs(true - middle) / np.sqrt(variance))
        measured.extend((y - true) ** 2)
        drawn.extend((middle - true) ** 2)
    assert 0.92 <= np.mean(np.array(z) < 1.96) <= 0.985
    assert np.mean(drawn) < 0.6 * np.mean(measured)


def test_one_fit_of_the_grid_is_generalised_least_squares() -> None:
    """Balanced, equal errors: the mean, and its variance (field + (season + own) / 2) / 4."""
    y = np.array([1.0, 3.0, 2.0, 4.0, 8.0, 6.0, 3.0, 5.0])
    found = fitted(y, np.full(8, 0.5), ONES, FIELD)
    assert found.coefficients[:, 0] == pytest.approx(np.full(found.chance.size, 4.0))
    wanted = (found.field_vars + (found.season_vars + 0.5) / 2) / 4
    assert found.covariance[:, 0, 0] == pytest.approx(wanted)
    assert found.chance.sum() == pytest.approx(1)


def test_the_scatters_are_put_where_they_belong() -> None:
    apart = fitted([9, 9.2, 5, 5.1, 1, 0.8, 3, 3.1], np.full(8, 0.01), ONES, FIELD)
    mixed = fitted([9, 0.8, 5, 5.1, 1, 9.2, 3, 3.1], np.full(8, 0.01), ONES, FIELD)
    assert apart.field_var > 10 * apart.season_var
    assert mixed.season_var > mixed.field_var


def test_a_field_without_error_of_its_own_is_taken_as_measured() -> None:
    y = np.array([1.0, 3.0, 2.0, 4.0, 8.0, 6.0, 3.0, 5.0])
    mean, covariance = fitted(y, np.zeros(8), ONES, FIELD).true_values()
    assert mean == pytest.approx(np.broadcast_to(y, mean.shape))
    assert covariance == pytest.approx(np.zeros_like(covariance))


def test_draws_have_the_interval_of_the_line() -> None:
    rng = np.random.default_rng(6)
    field, year, _, own, y = _one(rng, 4, 150.0, 0.5)
    found = fitted(y, own**2, np.column_stack([np.ones(y.size), year]), field)
    drawn = found.draws(fixed_points(3))
    for at, column in ((found.at([1.0, 0.0]), drawn[:, 0]), (found.at([0.0, 1.0]), drawn[:, 1])):
        low, high = np.percentile(column, [2.5, 97.5])
        width = at.high - at.low
        assert low == pytest.approx(at.low, abs=0.06 * width)
        assert high == pytest.approx(at.high, abs=0.06 * width)
        assert column.mean() == pytest.approx(at.mean, abs=0.02 * width)
        assert column.std() == pytest.approx(at.se, rel=0.05)
    assert found.at([1.0, 0.0]).p == pytest.approx(
        2 * stats.norm.sf(abs(found.at([1.0, 0.0]).mean / found.at([1.0, 0.0]).se)), abs=0.05
    )


def test_units_do_not_matter() -> None:
    rng = np.random.default_rng(8)
    field, _, _, own, y = _one(rng, 3, 150.0, 0.5)
    ones = np.ones((y.size, 1))
    kg, t = fitted(y, own**2, ones, field).at([1.0]), fitted(y / 1e3, own**2 / 1e6, ones, field)
    assert t.at([1.0]).low * 1e3 == pytest.approx(kg.low)


def test_what_cannot_be_fitted_is_refused() -> None:
    with pytest.raises(ValueError, match="more trials"):
        fitted([1.0], [1.0], np.ones((1, 1)), ["a"])
    with pytest.raises(ValueError, match="independent"):
        fitted([1.0, 2.0, 3.0], [1.0] * 3, np.ones((3, 2)), ["a", "a", "b"])


def test_where_nothing_scatters_the_line_is_what_was_measured() -> None:
    found = fitted([5.0, 5.0, 5.0], [0.0] * 3, np.ones((3, 1)), ["a", "a", "b"]).at([1.0])
    assert found.low == pytest.approx(5) == found.high
