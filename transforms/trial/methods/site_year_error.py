"""The one error of each site-year: scatter between blocks drawn toward what the trial has shown.

Two passes a strip know their own scatter with one degree of freedom. The site-years of the same
practice, harvested by the same method, tell how much blocks scatter on this farm, so each variance
is drawn toward theirs (``shared_variances``). Verdict, interval, pooling and money all go by it.

Only seasons up to a site-year's own count, so a verdict never changes because a later season came.
"""

from collections.abc import Iterator

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.trial.methods.trial_statistics import shared_variances

Array = NDArray[np.float64]

GROUP = ["practice", "method"]


def with_error(rows: pl.DataFrame) -> pl.DataFrame:
    """Add ``response_se_kg_ha`` and ``response_df`` to site-years.

    ``rows``: field, season, practice, method, blocks, ``own_se_kg_ha`` (from the site-year's own
    blocks, null for one), ``response_kg_ha`` and ``check_kg_ha``. The scatter is shared in percent
    of the check yield, so that crops of different yield may share it. Null where no scatter is
    known by then.
    """
    if rows.is_empty():
        return rows.with_columns(
            response_se_kg_ha=pl.lit(None, pl.Float64), response_df=pl.lit(None, pl.Float64)
        )
    return pl.concat(_of_season(known, season) for known, season in _by_then(rows))


def _by_then(rows: pl.DataFrame) -> Iterator[tuple[pl.DataFrame, int]]:
    """Yield, for each season of each practice and method, all its site-years up to that season."""
    for _, group in rows.group_by(GROUP, maintain_order=True):
        for season in group["season"].unique().sort():
            yield group.filter(pl.col("season") <= season), int(season)


def _of_season(known: pl.DataFrame, season: int) -> pl.DataFrame:
    """Return the rows of ``season`` with the error as all of ``known`` have it."""
    level = _numbers(known, "check_kg_ha")
    level = np.where(level > 0, level, np.nan)
    blocks = known["blocks"].to_numpy().astype(np.float64)
    own = _numbers(known, "own_se_kg_ha")
    scatter, df = shared_variances((own / level) ** 2 * blocks, np.maximum(blocks - 1, 0))
    has = known["response_kg_ha"].is_not_null().to_numpy() & np.isfinite(level)
    se = np.where(has, np.sqrt(scatter / np.maximum(blocks, 1)) * level, np.nan)
    return known.with_columns(
        response_se_kg_ha=pl.Series(se).fill_nan(None),
        response_df=pl.Series(np.where(np.isfinite(se), df, np.nan)).fill_nan(None),
    ).filter(pl.col("season") == season)


def _numbers(rows: pl.DataFrame, name: str) -> Array:
    return rows[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()
