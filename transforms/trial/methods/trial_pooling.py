"""Random-effects pooling of trials: REML, Hartung-Knapp intervals, prediction for the next trial.

An own short REML because the kept libraries offer none (statsmodels' 'iterated' is Paule-Mandel);
it is checked in the tests against the published figures of the BCG vaccine trials.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray
from scipy import special

from transforms.trial.methods.trial_statistics import CONFIDENCE, Interval, t_interval

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Regression:
    """A random-effects regression: coefficients, their Hartung-Knapp covariance, and scatter.

    ``tau2`` is the variance of true values about the line, ``df`` trials less coefficients,
    ``plain`` the covariance without the Hartung-Knapp factor.
    """

    coefficients: Array
    covariance: Array
    plain: Array
    tau2: float
    df: float

    def at(self, row: ArrayLike) -> Interval:
        """The t interval of the line at a row of the design."""
        x = np.asarray(row, dtype=np.float64)
        return t_interval(
            float(x @ self.coefficients), float(np.sqrt(x @ self.covariance @ x)), self.df
        )


@dataclass(frozen=True, slots=True)
class Pooled:
    """Pooled mean with its interval, the prediction interval, and heterogeneity.

    ``cautious`` is the same mean with the larger of the Hartung-Knapp and the plain error.
    ``i2`` is a share between 0 and 1; ``q`` Cochran's statistic with its ``q_p``.
    """

    mean: Interval
    cautious: Interval
    tau2: float
    i2: float
    q: float
    q_p: float
    predicted_low: float
    predicted_high: float


def _fit(y: Array, v: Array, x: Array, tau2: float) -> tuple[Array, Array, Array]:
    weight = 1 / (v + tau2)
    inverse: Array = np.asarray(np.linalg.inv(x.T @ (weight[:, None] * x)), dtype=np.float64)
    beta = inverse @ (x.T @ (weight * y))
    return beta, inverse, weight


def _losses(y: Array, v: Array, x: Array, tau2: Array) -> Array:
    """Minus the restricted log-likelihood, less a constant, at each of many variances."""
    weight = 1 / (v + tau2[:, None])
    information = np.einsum("np,tn,nq->tpq", x, weight, x)
    beta = np.linalg.solve(information, np.einsum("np,tn,n->tp", x, weight, y)[..., None])[..., 0]
    rest = y - beta @ x.T
    determinant = np.linalg.slogdet(information)[1]
    found: Array = ((weight * rest**2).sum(axis=1) - np.log(weight).sum(axis=1) + determinant) / 2
    return found


def _tau2(y: Array, v: Array, x: Array) -> float:
    """The between-trial variance at the maximum of the restricted likelihood, never below 0.

    A grid over all sizes finds the highest peak, where the likelihood has more than one.
    """
    top = 10 * max(float(np.var(y)), float(v.max()))
    grid = np.concatenate([[0.0], np.geomspace(top * 1e-6, top, 30)])
    losses = _losses(y, v, x, grid)
    at = int(np.argmin(losses))
    best = scipy.optimize.minimize_scalar(
        lambda tau2: float(_losses(y, v, x, np.array([tau2]))[0]),
        bounds=(grid[max(at - 1, 0)], grid[min(at + 1, grid.size - 1)]),
        method="bounded",
        options={"xatol": top * 1e-9},
    )
    return float(best.x) if best.fun < losses[0] else 0.0


def _checked(y: ArrayLike, v: ArrayLike) -> tuple[Array, Array]:
    """Arrays, with a floor under variances of 0 (trials that tell no scatter of their own)."""
    a, b = np.asarray(y, dtype=np.float64), np.asarray(v, dtype=np.float64)
    floor = max(1e-8 * float(np.var(a)), 1e-100)  # its inverse is squared
    return a, np.maximum(np.where(np.isfinite(b), b, 0.0), floor)


def regression(y: ArrayLike, variances: ArrayLike, design: ArrayLike) -> Regression:
    """Random-effects (meta-) regression of trial results on a design of n rows and p columns.

    REML: Raudenbush 2009 and Viechtbauer 2005 (doi 10.3102/10769986030003261); interval: Hartung
    and Knapp 2001 (doi 10.1002/sim.1009), Knapp and Hartung 2003 (doi 10.1002/sim.1482).
    A variance that is nan counts as 0: the scatter between trials then carries it all.
    Raises ValueError where trials do not outnumber coefficients or columns are not independent.
    """
    a, v = _checked(y, variances)
    x = np.asarray(design, dtype=np.float64)
    n, p = x.shape
    if n <= p or np.linalg.matrix_rank(x) < p:
        raise ValueError("a pooled line needs more trials than coefficients")
    tau2 = _tau2(a, v, x)
    beta, inverse, weight = _fit(a, v, x, tau2)
    factor = float((weight * (a - x @ beta) ** 2).sum()) / (n - p)
    return Regression(beta, inverse * factor, inverse, tau2, float(n - p))


@cache
def fixed_points(dimensions: int = 3) -> Array:
    """4096 fixed low-discrepancy points between 0 and 1: the same prediction every time."""
    return np.asarray(scipy.stats.qmc.Sobol(dimensions, scramble=True, rng=20181106).random(4096))


@cache
def _quantiles(trials: int) -> tuple[Array, Array, Array]:
    """Those points as chi-squared, normal and t with a degree of freedom less than trials."""
    points = fixed_points()
    return (
        np.asarray(2 * special.gammaincinv((trials - 1) / 2, points[:, 0])),
        np.asarray(special.ndtri(points[:, 1])),
        np.asarray(special.stdtrit(trials - 1, points[:, 2])),
    )


def _predicted(y: Array, v: Array, mean: float) -> tuple[float, float]:
    """Prediction limits of the true value of the next trial.

    Nagashima, Noma and Furukawa 2019 (doi 10.1177/0962280218773520): the between-trial variance
    is drawn from its confidence distribution (Q against chi-squared), the mean's error from t.
    The usual t formula with one fixed variance covers far too little with few trials.
    """
    k = y.size
    top = max(float(np.var(y, ddof=1)), float(v.max())) * 1e4
    grid = np.concatenate([[0.0], np.geomspace(top * 1e-9, top, 400)])
    weight = 1 / (v[None, :] + grid[:, None])
    total = weight.sum(axis=1)
    center = (weight * y).sum(axis=1) / total
    q = (weight * (y - center[:, None]) ** 2).sum(axis=1)
    error = np.sqrt(q / (k - 1) / total)
    chi2, normal, student = _quantiles(k)
    tau2 = np.interp(chi2, q[::-1], grid[::-1])
    draws = mean + normal * np.sqrt(tau2) + student * np.interp(tau2, grid, error)
    tail = (1 - CONFIDENCE) / 2
    low, high = np.quantile(draws, [tail, 1 - tail])
    return float(low), float(high)


def pooled(y: ArrayLike, variances: ArrayLike) -> Pooled:
    """Pool trial results (any unit) with their variances (unit squared).

    Mean by REML with the Hartung-Knapp interval, and a cautious one for claims that is never
    narrower than the plain (Roever, Knapp and Friede 2015, doi 10.1186/s12874-015-0091-1); I2 as
    the share of tau2 in tau2 plus the typical variance, Higgins and Thompson 2002
    (doi 10.1002/sim.1186); Q after Cochran 1954.
    Raises ValueError for fewer than two trials; prediction limits are nan for fewer than three.
    """
    a, v = _checked(y, variances)
    k = a.size
    if k < 2:
        raise ValueError("pooling needs two trials or more")
    line = regression(a, v, np.ones((k, 1)))
    fixed = 1 / v
    typical = (k - 1) * fixed.sum() / (fixed.sum() ** 2 - (fixed**2).sum())
    q = float((fixed * (a - (fixed * a).sum() / fixed.sum()) ** 2).sum())
    mean = line.at([1.0])
    low, high = _predicted(a, v, mean.mean) if k > 2 else (float("nan"), float("nan"))
    plain = float(np.sqrt(line.plain[0, 0]))
    return Pooled(
        mean=mean,
        cautious=t_interval(mean.mean, max(mean.se, plain), mean.df),
        tau2=line.tau2,
        i2=line.tau2 / (line.tau2 + float(typical)),
        q=q,
        q_p=float(special.chdtrc(k - 1, q)),
        predicted_low=low,
        predicted_high=high,
    )
