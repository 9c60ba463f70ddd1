"""Networks of invented farms with known truth, by two simulators that have nothing in common but the model."""

from __future__ import annotations

import numpy as np
import polars as pl

MEAN = 4.0  # the true mean over farms, percent of the check


def normal(rng: np.random.Generator, farms: int, seasons: int, shared_sd: float) -> pl.DataFrame:
    """Farms of like size; all parts are normal."""
    return _drawn(
        rng,
        seasons,
        [int(rng.integers(1, 4)) for _ in range(farms)],
        rng.normal(0, 3, farms),
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
        rng.gamma(4, 1.5, farms) - 6.0,
        lambda n: rng.exponential(2, n) - 2.0,
        lambda n: rng.standard_t(4, n) * 3,
        shared_sd * (rng.gamma(4, 0.5, seasons) - 2.0),
        0.6,
    )


def _drawn(rng, seasons, sizes, farm, field, rest, season, there) -> pl.DataFrame:  # noqa: PLR0917
    parts = []
    for number, size in enumerate(sizes):
        first = rng.integers(0, max(1, seasons - 2))
        values = (
            MEAN + farm[number] + field(size)[:, None] + season[None, :]
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


TRUTHS = {"normal": normal, "skewed": skewed}
