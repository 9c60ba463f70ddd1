"""Ground that differs between two strips anyway: how much, how far it comes back, what that costs.

Blocks within two strips tell how much neighbors differ, not how much the strips do: all blocks share
the ground that one strip has and the other has not. In published uniformity trials (one crop, treated
alike, harvested plot by plot) the mean difference of two strips of B passes scatters more than s²/B
says, by B^0.65 in variance in the middle trial (Smith 1938, Journal of Agricultural Science 28: the
variance of a mean falls with a power of its size below one). What must be allowed for so that of all
trials 5% claim a difference is more, since ground differs between farms: ``SPREAD_POWER``. A farm whose
site-years scatter no more than their blocks say shows that its ground is even, one whose site-years
scatter more that it is not; that moves the factor, ``PRIOR_DF`` site-years counting as much as the
published trials, up to ``MOST`` times it. Constants were set on one half of 89 published uniformity
trials and judged on the other (``tests/bench/FIGURES.md``).

Part of the difference comes back every season (``COMES_BACK``: over 21 sets of plots harvested for two
to 23 years alike, differences of strips of two to five passes correlate by about 0.2 from year to year,
which is this share of the ground's variance). So a season before the work tells part of it.
"""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

SPREAD_POWER = 0.9
PRIOR_DF = 3.0
MOST = 1.5
COMES_BACK = 0.4


def published_factor(blocks: Array) -> Array:
    """Variance of two strips' mean difference over that which ``blocks`` blocks tell, at least 1."""
    return np.asarray(np.maximum(blocks, 1.0) ** SPREAD_POWER)


def ground_variance(  # noqa: PLR0917
    mean: Array, variance: Array, blocks: Array, before: Flags, counts: Flags, by_lot: Flags
) -> Array:
    """Return the variance of the ground between the strips of each site-year (unit of ``variance``).

    ``mean`` and its ``variance`` from blocks, the number of ``blocks``; ``before``: a season before
    the work, whose true mean is 0; ``counts``: whether the site-year tells about the scatter;
    ``by_lot``: sides were drawn by lot in each block, so that blocks show the ground's part too.
    """
    published = np.where(by_lot, 1.0, published_factor(blocks))
    usual = float(published[counts].mean()) if counts.any() else 1.0
    if usual <= 1.0:
        return np.where(by_lot, 0.0, variance * (published - 1))
    weight = np.where(counts, 1 / np.where(counts, variance, 1.0), 0.0)
    after = counts & ~before
    middle = float((weight * mean)[after].sum() / weight[after].sum()) if after.any() else 0.0
    rest = np.where(before, mean, mean - middle)
    q = float((weight * rest**2)[counts].sum())
    df = float(counts.sum()) - float(after.any())
    factor = np.clip((PRIOR_DF * usual + q) / (PRIOR_DF + df), 1.0, MOST * usual)
    return np.asarray(variance * (published - 1) * (factor - 1) / (usual - 1))


def carried(ground: float, noise: float) -> float:
    """Share of the difference before the work that is taken off the response after it.

    ``ground``: the variance of the ground after the work; ``noise``: the variance of the mean
    difference before the work about the part that comes back.
    """
    lasting = COMES_BACK * ground
    return lasting / (lasting + noise) if lasting > 0 else 0.0
