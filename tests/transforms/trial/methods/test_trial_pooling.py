"""Pooling against the published figures of the BCG vaccine trials.

Colditz et al. 1994, JAMA 271; figures of Viechtbauer 2010, Journal of Statistical Software 36(3)
(REML, Q, I2) and REML with Hartung-Knapp by an independent library (pymare's REML beside it).
"""

from __future__ import annotations

from importlib import import_module

import numpy as np
import pytest

from tests.transforms.trial.vaccine_trials import LATITUDE, YEAR, V, Y
from transforms.trial.methods.trial_pooling import pooled, regression


def test_bcg_by_reml_and_hartung_knapp() -> None:
    found = pooled(Y, V)
    assert found.tau2 == pytest.approx(0.3132, abs=5e-5)
    assert found.mean.mean == pytest.approx(-0.714532, abs=5e-7)
    assert (found.mean.low, found.mean.high) == pytest.approx((-1.108444, -0.320621), abs=1e-6)
    assert found.q == pytest.approx(152.233, abs=5e-4)
    assert 100 * found.i2 == pytest.approx(92.22, abs=0.005)
    plain = regression(Y, V, np.ones((13, 1)))
    assert float(np.sqrt(plain.plain[0, 0])) == pytest.approx(0.1798, abs=5e-5)


@pytest.mark.parametrize(
    ("k", "mean", "low", "high"),
    [
        (2, -1.3250, -5.6047, 2.9547),
        (3, -0.97208, -1.95120, 0.00704),
        (7, -0.90125, -1.40314, -0.39936),
    ],
)
def test_bcg_first_trials_in_order_of_year(k: int, mean: float, low: float, high: float) -> None:
    first = np.argsort(YEAR, kind="stable")[:k]
    found = pooled(Y[first], V[first])
    assert found.mean.mean == pytest.approx(mean, abs=6e-5)
    assert (found.mean.low, found.mean.high) == pytest.approx((low, high), abs=6e-5)
    assert np.isnan(found.predicted_low) == (k < 3)


def test_bcg_on_latitude() -> None:
    # Viechtbauer 2010, section on moderators, with latitude alone: slope -0.0291, residual tau2
    # 0.0764 (from memory; the value of an independent library stands beside it).
    line = regression(Y, V, np.column_stack([np.ones(13), LATITUDE]))
    assert line.coefficients[1] == pytest.approx(-0.0291, abs=1e-4)
    assert line.tau2 == pytest.approx(0.0764, abs=1e-4)
    est = import_module("pymare.estimators").VarianceBasedLikelihoodEstimator(method="REML")
    fit = est.fit(Y[:, None], V[:, None], np.column_stack([np.ones(13), LATITUDE]))
    assert float(np.squeeze(fit.params_["tau2"])) == pytest.approx(line.tau2, rel=1e-3)
    assert np.squeeze(fit.params_["fe_params"]) == pytest.approx(line.coefficients, rel=1e-3)


def test_no_variances_known_is_the_plain_t_interval() -> None:
    y = np.array([1.0, 3.0, 4.0, 8.0])
    found = pooled(y, [np.nan] * 4)
    assert found.mean.mean == pytest.approx(4.0)
    assert found.mean.se == pytest.approx(y.std(ddof=1) / 2, rel=1e-4)
    assert found.tau2 == pytest.approx(y.var(ddof=1), rel=1e-3)


def test_unit_does_not_matter() -> None:
    one, other = pooled(Y, V), pooled(1000 * Y, 1e6 * V)
    assert other.mean.low == pytest.approx(1000 * one.mean.low, rel=1e-5)
    assert other.predicted_high == pytest.approx(1000 * one.predicted_high, rel=1e-3)
    assert other.i2 == pytest.approx(one.i2, rel=1e-4)


def test_prediction_covers_the_next_trial() -> None:
    rng = np.random.default_rng(21)
    trials, k = 400, 6
    hit = mean_hit = 0
    for _ in range(trials):
        v = rng.uniform(0.3, 1.5, k)
        found = pooled(rng.normal(2.0, np.sqrt(1.0 + v)), v)
        hit += found.predicted_low <= rng.normal(2.0, 1.0) <= found.predicted_high
        mean_hit += found.mean.low <= 2.0 <= found.mean.high
    assert 0.91 <= hit / trials <= 0.99
    assert 0.91 <= mean_hit / trials <= 0.98


def test_too_few_is_an_error() -> None:
    with pytest.raises(ValueError, match="two trials"):
        pooled([1.0], [1.0])
    with pytest.raises(ValueError, match="more trials"):
        regression([1.0, 2.0], [1.0, 1.0], np.ones((2, 2)))
