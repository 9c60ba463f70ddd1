"""The one error of each site-year: scatter between blocks, shared over the trial, and the ground's.

Two passes a strip know their own scatter with one degree of freedom. The site-years of the same
practice, harvested by the same method, tell how much blocks scatter on this farm, so each variance
is drawn toward theirs (``shared_variances``). What two strips differ by in all their blocks is added
as published trials and the farm's own site-years have it (``ground``), and of a difference seen
before the work the part that comes back is taken off the response (before-after, control-impact:
Stewart-Oaten and others 1986, Ecology 67, doi 10.2307/1939815; cited from memory).

Only seasons up to a site-year's own count, so a verdict never changes because a later season came.
"""

from collections.abc import Iterator

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.trial.methods.ground import COMES_BACK, carried, ground_variance, known_df
from transforms.trial.methods.trial_statistics import shared_variances

Array = NDArray[np.float64]

GROUP = ["practice", "method"]


SITE_YEAR = ["field", "season"]
ADDED = {
    "response_se_kg_ha": pl.Float64,
    "response_df": pl.Float64,
    "ground_kg_ha": pl.Float64,
    "ground_se_kg_ha": pl.Float64,
    "lasting_se_kg_ha": pl.Float64,
}


def with_error(rows: pl.DataFrame) -> pl.DataFrame:
    """Take the lasting ground off the response and add its error.

    ``rows``: field, season, practice, method, blocks, operation_day (null before the work),
    check_worked, ``randomized``, ``block_kind``, ``own_se_kg_ha`` (from the site-year's own blocks, null for one),
    ``response_kg_ha`` (treated minus check) and ``check_kg_ha``. All is reckoned in percent of the
    check yield, so that crops of different yield may share it. Adds the columns of ``ADDED``, null
    where no scatter is known by then; ``response_kg_ha`` is less ``ground_kg_ha``.
    """
    if rows.is_empty():
        return rows.with_columns(pl.lit(None, kind).alias(name) for name, kind in ADDED.items())
    own = pl.concat(_of_season(known, season) for known, season in _by_then(rows))
    return _less_ground(own).drop("_own", "_ground", "_level")


def _by_then(rows: pl.DataFrame) -> Iterator[tuple[pl.DataFrame, int]]:
    """Yield, for each season of each practice and method, all its site-years up to that season."""
    for _, group in rows.group_by(GROUP, maintain_order=True):
        for season in group["season"].unique().sort():
            yield group.filter(pl.col("season") <= season), int(season)


def _of_season(known: pl.DataFrame, season: int) -> pl.DataFrame:
    """Return the rows of ``season`` with their variances as all of ``known`` have them.

    ``_own`` and ``_ground``: shares of the check yield, squared; ``_level``: that yield.
    """
    level = _numbers(known, "check_kg_ha")
    level = np.where(level > 0, level, np.nan)
    blocks = known["blocks"].to_numpy().astype(np.float64)
    scatter, df = shared_variances(
        (_numbers(known, "own_se_kg_ha") / level) ** 2 * blocks, np.maximum(blocks - 1, 0)
    )
    mean = _numbers(known, "response_kg_ha") / level
    own = np.where(np.isfinite(mean), scatter / np.maximum(blocks, 1), np.nan)
    worked = known["check_worked"].fill_null(False).to_numpy()
    ground, ground_df = ground_variance(
        mean,
        own,
        blocks,
        before=known["operation_day"].is_null().to_numpy(),
        counts=np.isfinite(own) & (blocks > 1) & ~worked,
        by_lot=known.select(
            (pl.col("randomized") == "each block").fill_null(False)
            | (pl.col("block_kind") == "strips").fill_null(False)
        )
        .to_series()
        .to_numpy(),
    )
    return known.with_columns(
        _own=pl.Series(own),
        _ground=pl.Series(ground),
        _level=pl.Series(level),
        response_df=pl.Series(known_df(own, ground, df, ground_df)).fill_nan(None),
    ).filter(pl.col("season") == season)


def _less_ground(rows: pl.DataFrame) -> pl.DataFrame:
    """Take off what the seasons before the work tell of the ground, and add the error left."""
    before = _before(rows)
    found: list[dict[str, float | None]] = []
    for field, day, own, ground, level in rows.select(
        "field", "operation_day", "_own", "_ground", "_level"
    ).iter_rows():
        if not np.isfinite(own):
            found.append({})
            continue
        mean, noise = before.get(field, (0.0, 0.0)) if day is not None else (0.0, 0.0)
        share = carried(ground, noise) if noise > 0 else 0.0
        lasting = COMES_BACK * ground * (1 - share)
        found.append(
            {
                "ground_kg_ha": share * mean * level if noise > 0 else None,
                "ground_se_kg_ha": (ground * (1 - COMES_BACK) + lasting) ** 0.5 * level,
                "lasting_se_kg_ha": lasting**0.5 * level,
                "response_se_kg_ha": (own + ground * (1 - COMES_BACK) + lasting) ** 0.5 * level,
            }
        )
    schema = {name: kind for name, kind in ADDED.items() if name != "response_df"}
    return rows.hstack(pl.DataFrame(found, schema=schema)).with_columns(
        response_kg_ha=pl.col("response_kg_ha") - pl.col("ground_kg_ha").fill_null(0.0)
    )


def _before(rows: pl.DataFrame) -> dict[str, tuple[float, float]]:
    """By field: mean difference before the work, and its variance about the part that comes back."""
    noise = pl.col("_own") + (1 - COMES_BACK) * pl.col("_ground")
    found = (
        rows.filter(pl.col("operation_day").is_null() & pl.col("_own").is_finite())
        .sort(*SITE_YEAR)
        .group_by("field", maintain_order=True)
        .agg(
            mean=(pl.col("response_kg_ha") / pl.col("_level")).mean(), noise=noise.mean() / pl.len()
        )
    )
    return {field: (mean, spread) for field, mean, spread in found.iter_rows()}


def _numbers(rows: pl.DataFrame, name: str) -> Array:
    return rows[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()
