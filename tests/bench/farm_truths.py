"""Networks of invented farms with known truth, by three simulators that have nothing in common but the model.

In each the true mean is ``MEAN`` percent and true means of farms have the standard deviation ``SPREAD``.
"""

from __future__ import annotations

import numpy as np
import polars as pl

MEAN = 4.0  # the true mean over farms, percent of the check
SPREAD = 3.0  # the true standard deviation between farms

# What farms' true means depart from the mean by.
FARMS = {
    "normal": lambda rng, n: rng.normal(0, SPREAD, n),
    "skewed": lambda rng, n: rng.gamma(4, SPREAD / 2, n) - 2 * SPREAD,
    "regions": lambda rng, n: (rng.beta(2, 5, n) - 2 / 7) * SPREAD / (10 / (49 * 8)) ** 0.5,
}


def normal(rng: np.random.Generator, farms: int, seasons: int, shared_sd: float) -> pl.DataFrame:
    """Farms of like size; all parts are normal."""
    return _drawn(
        rng,
        seasons,
        [int(rng.integers(1, 4)) for _ in range(farms)],
        FARMS["normal"](rng, farms),
        lambda n: rng.normal(0, 2, n),
        lambda n: rng.normal(0, 4, n),
        rng.normal(0, shared_sd, seasons),
        0.9,
    )


def skewed(rng: np.random.Generator, farms: int, seasons: int, shared_sd: float) -> pl.DataFrame:
    """Most farms have a field, some have twenty; few respond much; single seasons stray far; many gaps."""
    return _drawn(
        rng,
        seasons,
        [int(min(20, 1 + rng.pareto(1.1))) for _ in range(farms)],
        FARMS["skewed"](rng, farms),
        lambda n: rng.exponential(2, n) - 2.0,
        lambda n: rng.standard_t(4, n) * 3,
        shared_sd * (rng.gamma(4, 0.5, seasons) - 2.0),
        0.6,
    )


def regions(rng: np.random.Generator, farms: int, seasons: int, shared_sd: float) -> pl.DataFrame:
    """Three regions (60, 30 and 10% of the farms) whose seasons are half their own, half the network's.

    Each farm scatters by a measure of its own; effects of seasons have long tails.
    """

    def season(*size: int) -> np.ndarray:
        return shared_sd * rng.standard_t(5, size) * (3 / 5) ** 0.5

    of_region = (season(1, seasons) + season(3, seasons)) / 2**0.5
    region = rng.choice(3, farms, p=(0.6, 0.3, 0.1))
    return _drawn(
        rng,
        seasons,
        [int(rng.geometric(0.4)) for _ in range(farms)],
        FARMS["regions"](rng, farms),
        lambda n: rng.laplace(0, 1.5, n),
        lambda n: rng.normal(0, rng.uniform(2, 7), n),
        of_region[region],
        0.75,
    )


def _drawn(rng, seasons, sizes, farm, field, rest, season, there) -> pl.DataFrame:  # noqa: PLR0917
    """Draw all values; ``season``: one row for all farms, or one a farm."""
    parts = []
    season = np.broadcast_to(season, (len(sizes), seasons))
    for number, size in enumerate(sizes):
        first = rng.integers(0, max(1, seasons - 2))
        values = (
            MEAN + farm[number] + field(size)[:, None] + season[number][None, :]
            + rest(size * seasons).reshape(size, seasons)
        )  # fmt: skip
        keep = rng.random((size, seasons)) < there
        keep[:, :first] = False
        keep[:, first] = True
        at, when = np.nonzero(keep)
        parts.append(
            pl.DataFrame(
                {
                    "farm": [f"f{number:04}"] * at.size,
                    "field": at.astype(str),
                    "season": 2015 + when,
                    "value": values[keep],
                }
            )
        )
    return pl.concat(parts)


TRUTHS = {"normal": normal, "skewed": skewed, "regions": regions}
