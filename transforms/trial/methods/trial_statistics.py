"""Statistics of one side-by-side trial: the paired test, what it could have found, false discovery.

Plain arrays in, small frozen results out; pooling over trials is in ``trial_pooling``.
Common distributions, tests and intervals are scipy's.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
import polars as pl
import scipy
from numpy.typing import ArrayLike, NDArray
from scipy import special

Array = NDArray[np.float64]

CONFIDENCE = 0.95
POWER = 0.8


def _array(values: ArrayLike) -> Array:
    return np.asarray(values, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Interval:
    """An estimate with its standard error, degrees of freedom, p (of zero) and 95 % limits."""

    mean: float
    se: float
    df: float
    p: float
    low: float
    high: float


def t_interval(mean: float, se: float, df: float) -> Interval:
    """The Student t interval and two-sided p of zero for an estimate.

    A standard error of 0 gives limits equal to the mean, and p 0 (1 where the mean is 0).
    """
    half = float(special.stdtrit(df, 0.5 + CONFIDENCE / 2)) * se
    without_error = 1.0 if mean == 0 else 0.0
    p = float(2 * special.stdtr(df, -abs(mean) / se)) if se > 0 else without_error
    return Interval(mean, se, df, p, mean - half, mean + half)


def student_t(df: pl.Expr) -> pl.Expr:
    """Student's t of the 95 % interval by degrees of freedom; null where they are not known."""

    def of(known: pl.Series) -> pl.Series:
        return pl.Series(_array(special.stdtrit(known.to_numpy(), 0.5 + CONFIDENCE / 2))).fill_nan(
            None
        )

    return df.map_batches(of, return_dtype=pl.Float64)


def paired(differences: ArrayLike) -> Interval:
    """Paired t interval of differences (any unit), one a block.

    Student 1908, Biometrika 6 (doi 10.1093/biomet/6.1.1). Raises ValueError for fewer than two.
    """
    d = _array(differences)
    if d.size < 2:
        raise ValueError("a paired interval needs two blocks or more")
    return t_interval(float(d.mean()), float(d.std(ddof=1)) / d.size**0.5, d.size - 1.0)


def least_difference(se: float, df: float) -> float:
    """Least significant difference at 95 %: a smaller one could not have been called a response."""
    return float(special.stdtrit(df, 0.5 + CONFIDENCE / 2)) * se


@cache
def _scales(df: float) -> Array:
    """Equal steps of the chance of a standard error's own error, as shares of the true one."""
    if np.isinf(df):
        return np.ones(1)
    return np.asarray(np.sqrt(2 * special.gammaincinv(df / 2, (np.arange(1000) + 0.5) / 1000) / df))


def chance_to_find(true: float, se: float, df: float) -> float:
    """Power of the two-sided t test for a true difference (the non-central t).

    Cohen 1988, Statistical Power Analysis, chapter 2. Summed over equal steps of the chance of
    the standard error's own error, since scipy's non-central t is nan for few degrees of freedom;
    good to 1e-3. For a standard error of 0 it is 1 (0.05 where the true difference is 0).
    """
    if se <= 0:
        return 1.0 if true != 0 else 1 - CONFIDENCE
    edge = float(special.stdtrit(df, 0.5 + CONFIDENCE / 2)) * _scales(df)
    shift = abs(true) / se
    return float(np.mean(special.ndtr(shift - edge) + special.ndtr(-shift - edge)))


@cache
def _findable_errors(df: float, power: float) -> float:
    return float(scipy.optimize.brentq(lambda d: chance_to_find(d, 1.0, df) - power, 0.0, 100.0))


def findable_difference(se: float, df: float, power: float = POWER) -> float:
    """The true difference that such a trial would find four times out of five (``power``)."""
    return se * _findable_errors(df, power) if se > 0 else 0.0


def leaning_block(differences: ArrayLike) -> tuple[int, float, float]:
    """The block that the difference leans on most.

    Returns its place, its share of the sum of the differences (above 1 where the others together
    point the other way; nan where the sum is 0) and the mean without it (nan for one block).
    """
    d = _array(differences)
    total = float(d.sum())
    toward = d * (1.0 if total >= 0 else -1.0)
    at = int(np.argmax(toward))
    share = float(d[at]) / total if total != 0 else float("nan")
    without = (total - float(d[at])) / (d.size - 1) if d.size > 1 else float("nan")
    return at, share, without


def false_discovery(p: ArrayLike) -> Array:
    """p adjusted for the number of tests so that the share of false finds is held.

    Benjamini and Hochberg 1995 (doi 10.1111/j.2517-6161.1995.tb02031.x), by scipy; valid for
    tests that are independent or positively related. nan stays nan and is no test.
    """
    values = _array(p)
    adjusted = np.full(values.shape, np.nan)
    known = np.isfinite(values)
    if known.any():
        adjusted[known] = scipy.stats.false_discovery_control(values[known], method="bh")
    return adjusted


def wilson(found: int, of: int) -> tuple[float, float]:
    """95 % limits of a share by Wilson 1927 (doi 10.1080/01621459.1927.10502953).

    His formula here, since scipy's own would load all of its statistics every day.
    """
    z2, share = float(special.ndtri(0.5 + CONFIDENCE / 2)) ** 2, found / of
    middle, half = share + z2 / (2 * of), (z2 * (share * (1 - share) + z2 / (4 * of)) / of) ** 0.5
    whole = 1 + z2 / of
    low, high = (middle - half) / whole, (middle + half) / whole
    return (low if found else 0.0), (high if found < of else 1.0)


def shared_variances(variances: ArrayLike, df: ArrayLike) -> tuple[Array, Array]:
    """Variances drawn toward what all trials show together, and their degrees of freedom.

    A trial of two to five blocks knows its own scatter badly; over several trials the scatter
    of scatters tells how far to trust each. A variance that is nan or has df 0 gets the common
    one. Smyth 2004, Statistical Applications in Genetics 3 (doi 10.2202/1544-6115.1027), equation
    for the posterior variance with the moment estimates of its section 6.2; where the scatters
    differ no more than chance, one common variance. All nan where no trial has a variance above 0.
    """
    s2, d = _array(variances), _array(df)
    known = np.isfinite(s2) & (d > 0) & (s2 > 0)
    if not known.any():
        return np.full(s2.shape, np.nan), np.full(s2.shape, np.nan)
    x, n = s2[known], d[known]
    total = float(n.sum())
    z = np.log(x) - special.digamma(n / 2) + np.log(n / 2)
    spread = float(z.var(ddof=1) - special.polygamma(1, n / 2).mean()) if x.size > 1 else 0.0
    if spread <= 1e-4:
        prior_df, prior = np.inf, float((n * x).sum() / total)
    else:
        prior_df = 2 * float(
            scipy.optimize.brentq(lambda h: special.polygamma(1, h) - spread, 1e-3, 1e6)
        )
        prior = float(np.exp(z.mean() + special.digamma(prior_df / 2) - np.log(prior_df / 2)))
    own_df = np.where(known, d, 0.0)
    own = np.where(known, s2, 0.0)
    if np.isinf(prior_df):
        return np.full(s2.shape, prior), np.full(s2.shape, total)
    mixed = (prior_df * prior + own_df * own) / (prior_df + own_df)
    return mixed, np.minimum(prior_df + own_df, total)


def summed_df(variances: ArrayLike, df: ArrayLike) -> float:
    """Degrees of freedom of a sum of estimates with these variances and degrees of freedom.

    Satterthwaite 1946 (doi 10.2307/3002019). Never below the smallest of those that matter;
    infinite where no variance is above 0.
    """
    v, d = _array(variances), _array(df)
    parts = v[v > 0] ** 2 / d[v > 0]
    return float(v.sum() ** 2 / parts.sum()) if parts.size and parts.sum() > 0 else float("inf")


def _permuted(
    values: Array,
    statistic: Callable[..., Array],
    resamples: float,
    alternative: str = "two-sided",
) -> tuple[float, float]:
    """Return a statistic and its permutation p; ``resamples`` is infinite for all orders."""
    result = scipy.stats.permutation_test(  # type: ignore[call-overload]  # inf means all orders
        (values,),
        statistic,
        permutation_type="pairings",
        vectorized=True,
        n_resamples=resamples,
        alternative=alternative,
        rng=20181106,
    )
    return float(result.statistic), float(result.pvalue)


def rank_correlation(
    x: ArrayLike, y: ArrayLike, most: int = 8, draws: int = 9999
) -> tuple[float, float]:
    """Spearman's rank correlation and its permutation p, two-sided.

    Exact over all orders up to ``most`` pairs (8: 40,320), above that over ``draws`` fixed random
    orders (the same each time). By scipy. (nan, nan) for fewer than four pairs or where either
    side does not vary: with three pairs p cannot fall below 1/3.
    """
    a, b = _array(x), _array(y)
    if a.size < 4 or np.ptp(a) == 0 or np.ptp(b) == 0:
        return float("nan"), float("nan")
    a, b = scipy.stats.rankdata(a), scipy.stats.rankdata(b)
    a, b = a - a.mean(), b - b.mean()
    scale = float(np.sqrt((a @ a) * (b @ b)))

    def correlation(u: Array, axis: int = -1) -> Array:
        return np.asarray(np.round(np.sum(u * b, axis=axis) / scale, 12))

    return _permuted(a, correlation, np.inf if a.size <= most else draws)


def groups_differ(labels: ArrayLike, y: ArrayLike, most: int = 8, draws: int = 9999) -> float:
    """Permutation p that values differ between groups, by the Kruskal-Wallis statistic on ranks.

    Kruskal and Wallis 1952 (doi 10.1080/01621459.1952.10483441); over all orders up to ``most``
    values, above that over ``draws`` fixed random orders, by scipy. nan where there are fewer
    than two groups of two or more, the least with which groups can be distinguished at all.
    """
    names, group = np.unique(np.asarray(labels), return_inverse=True)
    sizes = np.bincount(group)
    values = _array(y)
    if (sizes >= 2).sum() < 2 or np.ptp(values) == 0:
        return float("nan")
    ranks = scipy.stats.rankdata(values)
    member = np.equal.outer(np.arange(names.size), group).astype(np.float64)
    centered = ranks - ranks.mean()

    def between(u: Array, axis: int = -1) -> Array:
        sums = np.tensordot(np.moveaxis(u, axis, -1), member, axes=([-1], [1]))
        return np.asarray(np.round((sums**2 / sizes).sum(axis=-1), 9))

    return _permuted(centered, between, np.inf if group.size <= most else draws, "greater")[1]
