"""The interval of a sum of seasons' money, and the chance that it is above zero."""

import numpy as np
from numpy.typing import NDArray
from scipy import special

from transforms.money.methods.repeat import Earlier
from transforms.trial.methods.trial_statistics import summed_df, t_interval

Array = NDArray[np.float64]


def season_df(yield_var: float, price_var: float, df: float, most: float) -> float | None:
    """Degrees of freedom of one season's net, at most ``most``; None where unlimited."""
    found = summed_df([yield_var, price_var], [df, np.inf])
    return min(found, max(most, 1.0)) if np.isfinite(found) else None


def chance(  # noqa: PLR0917
    total: float,
    yield_var: Array,
    price_var: Array,
    df: Array,
    most: float,
    shared: float,
    before: Earlier | None,
    price: Array,
) -> dict[str, float | None]:
    """Interval of a sum and the probability that it is above 0; nothing where an error is unknown.

    ``shared``: what the seasons' errors add by being alike (the ground that comes back). ``before``:
    what the work before a repeat would have given at each ``price``; its error is added.
    """
    if not np.isfinite(yield_var).all() or yield_var.sum() + price_var.sum() <= 0:
        return {}
    freedom = freedom_of(yield_var, price_var, df, most)
    se = float(np.sqrt(yield_var.sum() + price_var.sum() + shared))
    if before is not None:
        low, high, chance = before.sum_less(price, total, se, freedom)
        return {
            "cumulative_low_per_ha": low,
            "cumulative_high_per_ha": high,
            "paid_chance": chance,
        }
    found = t_interval(total, se, freedom)
    return {
        "cumulative_low_per_ha": found.low,
        "cumulative_high_per_ha": found.high,
        "paid_chance": float(special.stdtr(freedom, total / found.se)),
    }


def freedom_of(yield_var: Array, price_var: Array, df: Array, most: float) -> float:
    """Degrees of freedom of the sum's error."""
    variances = np.concatenate([yield_var, price_var])
    degrees = np.concatenate([df, np.full(price_var.size, np.inf)])
    return min(summed_df(variances, degrees), max(most, 1.0))
