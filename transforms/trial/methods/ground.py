"""Ground that differs between two strips anyway: how much, how far it comes back, what that costs.

Blocks within two strips tell how much neighbors differ, not how much the strips do: all blocks share
the ground that one strip has and the other has not. In published uniformity trials (one crop, treated
alike, harvested plot by plot) the mean difference of two strips of B passes scatters more than s²/B
says, by B^0.7 in variance (Smith 1938, Journal of Agricultural Science 28: the variance of a mean falls
with a power of its size below one). How much more differs from farm to farm (by a factor of about 1.5
either way), so the excess is known as if from ``PRIOR_DF`` site-years. A farm whose site-years scatter no
more than their blocks say shows that its ground is even, one whose site-years scatter more that it is not;
each of them counts as one more. What is known so little widens the interval: the degrees of freedom of
the error fall with the ground's share of it (``known_df``). ``SPREAD_POWER`` is the mean of what one half of
90 published uniformity trials shows; the other half judged it (``tests/bench/FIGURES.md``).

Part of the difference comes back every season (``COMES_BACK``: over 21 sets of plots harvested for two
to 23 years alike, differences of strips of two to five passes correlate by about 0.2 from year to year,
which is this share of the ground's variance). So a season before the work tells part of it.
"""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

SPREAD_POWER = 0.7
PRIOR_DF = 3.0
COMES_BACK = 0.4


def published_factor(blocks: Array) -> Array:
    """Variance of two strips' mean difference over that which ``blocks`` blocks tell, at least 1."""
    return np.asarray(np.maximum(blocks, 1.0) ** SPREAD_POWER)


def ground_variance(  # noqa: PLR0917
    mean: Array, variance: Array, blocks: Array, before: Flags, counts: Flags, by_lot: Flags
) -> tuple[Array, float]:
    """Return the variance of the ground between the strips of each site-year, and its degrees of freedom.

    In the unit of ``variance``. ``mean`` and its ``variance`` from blocks, the number of ``blocks``;
    ``before``: a season before the work, whose true mean is 0; ``counts``: whether the site-year tells
    about the scatter; ``by_lot``: sides were drawn by lot in each block, so that blocks show the
    ground's part too.
    """
    published = np.where(by_lot, 1.0, published_factor(blocks))
    usual = float(published[counts].mean()) if counts.any() else 1.0
    if usual <= 1.0:
        return variance * (published - 1), PRIOR_DF
    weight = np.where(counts, 1 / np.where(counts, variance, 1.0), 0.0)
    after = counts & ~before
    middle = float((weight * mean)[after].sum() / weight[after].sum()) if after.any() else 0.0
    rest = np.where(before, mean, mean - middle)
    q = float((weight * rest**2)[counts].sum())
    df = float(counts.sum()) - float(after.any())
    factor = max((PRIOR_DF * usual + q) / (PRIOR_DF + df), 1.0)
    return variance * (published - 1) * (factor - 1) / (usual - 1), PRIOR_DF + df


def known_df(own: Array, ground: Array, own_df: Array, ground_df: float) -> Array:
    """Return the degrees of freedom of the sum of two variances, ``own`` and ``ground``.

    The ground is known as a multiple of ``own``, so the error of ``own`` counts in full and that of the
    multiple by the ground's share (Satterthwaite 1946, doi 10.2307/3002019).
    """
    share = ground / (own + ground)
    return np.asarray(1 / (1 / own_df + share**2 / ground_df))


def carried(ground: float, noise: float) -> float:
    """Share of the difference before the work that is taken off the response after it.

    ``ground``: the variance of the ground after the work; ``noise``: the variance of the mean
    difference before the work about the part that comes back.
    """
    lasting = COMES_BACK * ground
    return lasting / (lasting + noise) if lasting > 0 else 0.0
