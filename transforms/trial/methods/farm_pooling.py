"""Pool a value over farms: a farm counts once, however many fields and seasons it has.

Model: value = mean + farm + field + season (of all farms) + what is left of one field in one season. Each
farm becomes one estimate, the mean of its fields' means, with the variance that its fields and seasons
leave in it, from scatters within farms estimated over all farms (moments). Farms are then pooled by
random effects (``trial_pooling``), so a farm with twenty fields is known better but is no twenty farms.

What all farms of a season share does not average out over farms. How much it scatters is known from few
seasons only, so it is held open (as in ``field_effects``): either seasons share nothing, or a standard
deviation with the half-Cauchy prior of Gelman 2006 (doi 10.1214/06-BA117A) for few groups, scaled by the
scatter of farms' seasons, so that units do not matter. Both, and each standard deviation, count by their
restricted likelihood (models averaged: Gronau and others 2021, doi 10.1177/25152459211031256), and the
interval is that of the mixture. Coverage by simulation is in ``tests/bench/FIGURES.md``.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
import polars as pl
import scipy
from scipy import special

from transforms.trial.methods.trial_pooling import Array, pooled
from transforms.trial.methods.trial_statistics import CONFIDENCE, Interval

LEAST_FARMS = 3  # under which nothing is averaged
LEAST_SEASONS = 3  # under which nothing is known of what seasons share
NOT_SHARED = 0.25  # the chance given beforehand that seasons share nothing
WIDE = 3.0  # how far what they share may reach beyond what it seems to be


@dataclass(frozen=True, slots=True)
class OverFarms:
    """A mean over farms: its interval, the spread of farms' true means, the range of the next farm.

    ``spread_low`` and ``spread_high`` are the 95 % interval of ``spread`` (a standard deviation).
    """

    mean: Interval
    spread: float
    spread_low: float
    spread_high: float
    next_low: float
    next_high: float


def over_farms(rows: pl.DataFrame) -> OverFarms:
    """Pool rows of farm, field, season, ``value`` (one a field and season) over farms.

    Raises ValueError for fewer than three farms.
    """
    farms = _farm_means(rows)
    if farms.height < LEAST_FARMS:
        raise ValueError("pooling over farms needs three farms or more")
    y, v = farms["y"].to_numpy(), farms["v"].to_numpy()
    found = pooled(y, v)
    mean = _with(found.mean, _seasons(rows, farms, found.tau2))
    low, high = _spread_interval(y, v)
    # What the seasons add to the mean's limits they add to those of the next farm (squares add up).
    more = (mean.high - mean.mean) ** 2 - (found.mean.high - found.mean.mean) ** 2
    return OverFarms(
        mean,
        found.tau2**0.5,
        min(low, found.tau2**0.5),
        max(high, found.tau2**0.5),
        mean.mean - float(np.hypot(mean.mean - found.predicted_low, more**0.5)),
        mean.mean + float(np.hypot(found.predicted_high - mean.mean, more**0.5)),
    )


def _farm_means(rows: pl.DataFrame) -> pl.DataFrame:
    """Return each farm's mean of its fields' means, ``y``, and the variance within the farm of it, ``v``."""
    fields = rows.group_by("farm", "field").agg(
        y=pl.col("value").mean(), n=pl.len(), squares=pl.col("value").var(ddof=0) * pl.len()
    )
    df = int((fields["n"] - 1).sum())
    within = float(fields["squares"].sum()) / df if df else 0.0
    farms = (
        fields.group_by("farm")
        .agg(
            pl.col("y").mean(),
            fields=pl.len(),
            thin=(1 / pl.col("n")).mean(),
            squares=pl.col("y").var(ddof=0) * pl.len(),
        )
        .sort("farm")
    )
    several = farms.filter(pl.col("fields") > 1)
    df_fields = int((several["fields"] - 1).sum())
    between = 0.0
    if df_fields:
        expected = within * float((several["thin"] * (several["fields"] - 1)).sum()) / df_fields
        between = max(0.0, float(several["squares"].sum()) / df_fields - expected)
    return farms.select("farm", "y", v=(between + within * pl.col("thin")) / pl.col("fields"))


@dataclass(frozen=True, slots=True)
class _Seasons:
    """What is seen of effects that all farms of a season share: contrasts that are independent.

    Each of ``effects`` has the variance of the seasons and ``noise`` times ``left``, the variance of a
    farm's season, which has ``df`` degrees of freedom. ``share`` times the variance of the seasons is what
    they add to the mean's; ``scale`` is that of the prior, from ``left`` and the effects' own scatter.
    """

    effects: Array
    noise: Array
    left: float
    df: int
    share: float
    scale: float


def _seasons(rows: pl.DataFrame, farms: pl.DataFrame, tau2: float) -> _Seasons | None:
    """Fit a line of season effects to departures of each farm's season from the farm's own mean.

    Returns None where the seasons are too few, or have no farms in common.
    """
    field = ["farm", "field"]
    shares = rows.with_columns(
        share=1 / pl.len().over(field) / pl.col("field").n_unique().over("farm"),
        departure=pl.col("value") - pl.col("value").mean().over(field),
    )
    weight = 1 / (farms["v"] + tau2).clip(1e-12)
    weights = farms.select("farm", weight=weight / weight.sum())
    by_season = (
        shares.join(weights, on="farm")
        .group_by("season")
        .agg(c=(pl.col("share") * pl.col("weight")).sum())
    )
    cells = (
        shares.group_by("farm", "season").agg(d=pl.col("departure").mean()).sort("farm", "season")
    )
    seasons = cells["season"].n_unique()
    if seasons < LEAST_SEASONS:
        return None
    one = cells["season"].to_dummies().to_numpy().astype(np.float64)
    design = (one - _farm_mean(cells["farm"], one))[:, 1:]  # effects beside the first season's
    d = cells["d"].to_numpy()
    d = d - _farm_mean(cells["farm"], d[:, None])[:, 0]
    df = cells.height - cells["farm"].n_unique() - (seasons - 1)
    if df < 1 or np.linalg.matrix_rank(design) < seasons - 1:
        return None
    effects = np.linalg.lstsq(design, d, rcond=None)[0]
    left = float(((d - design @ effects) ** 2).sum()) / df
    # Of effects about their mean (the first one is 0), in directions whose errors are independent.
    about = np.eye(seasons)[:, 1:] - 1 / seasons
    basis = np.linalg.svd(about, full_matrices=False)[0].T
    noise, turned = np.linalg.eigh(
        basis @ about @ np.linalg.inv(design.T @ design) @ about.T @ basis.T
    )
    found = turned.T @ basis @ about @ effects
    seems = max(0.0, float((found**2).mean()) - left * float(noise.mean()))
    share = float((by_season["c"] ** 2).sum())
    return _Seasons(found, noise, left, df, share, (left + WIDE**2 * seems) ** 0.5)


def _farm_mean(farm: pl.Series, values: Array) -> Array:
    """Return, for each row, the mean over its farm's rows, by column."""
    place = farm.rank("dense").to_numpy().astype(np.intp) - 1
    counts = np.bincount(place)
    sums = np.stack([np.bincount(place, column) for column in values.T], axis=1)
    return np.asarray((sums / counts[:, None])[place], dtype=np.float64)


@cache
def _scales(df: float, steps: int) -> Array:
    """Equal steps of the chance of a variance's own error, as shares of the true one."""
    return np.asarray(scipy.stats.chi2.ppf((np.arange(steps) + 0.5) / steps, df) / df)


def _with(mean: Interval, seasons: _Seasons | None) -> Interval:
    """Return an interval widened by what all farms of a season share, as far as that can be known.

    The error is a mixture of normal ones: over the mean's own variance (so that it is Student's t) and
    over the standard deviation of the seasons. ``se`` and ``df`` stay those without seasons.
    """
    if seasons is None or seasons.scale <= 1e-9 * max(abs(mean.mean), mean.se):
        return mean
    steps = (np.arange(48) + 0.5) / 48
    sd = np.append(0.0, np.tan(steps * np.pi / 2) * seasons.scale)
    left = seasons.left / _scales(seasons.df, 15)
    of_effects = sd[:, None, None] ** 2 + np.multiply.outer(left, seasons.noise)
    of_effects = np.maximum(of_effects, (1e-9 * seasons.scale) ** 2)
    fits = -0.5 * (np.log(of_effects) + seasons.effects**2 / of_effects).sum(axis=2)
    chance = np.exp(fits - fits.max()).mean(axis=1)
    chance *= np.append(NOT_SHARED, np.full(steps.size, (1 - NOT_SHARED) / steps.size))
    chance /= chance.sum()
    own = np.maximum(mean.se**2 / _scales(mean.df, 200), (1e-9 * seasons.scale) ** 2)
    errors = np.sqrt(own[None, :] + (sd**2 * seasons.share)[:, None])

    def beyond(half: float) -> float:
        return float(chance @ special.ndtr(-half / errors).mean(axis=1)) * 2

    least = mean.high - mean.mean
    wide = scipy.optimize.brentq(
        lambda half: beyond(half) - (1 - CONFIDENCE), 0.9 * least, 20 * float(errors.max())
    )
    wide = max(least, wide)
    return Interval(
        mean.mean,
        mean.se,
        mean.df,
        max(mean.p, beyond(abs(mean.mean))),
        mean.mean - wide,
        mean.mean + wide,
    )


def _spread_interval(y: Array, v: Array) -> tuple[float, float]:
    """Return the 95 % interval of the standard deviation between farms (Q-profile).

    Viechtbauer 2007 (doi 10.1002/sim.2514): the variances at which Cochran's Q is as large as chi-squared
    with a degree of freedom less than farms is once in forty times, and as small. Where a few farms
    stray far, Q scatters more than chi-squared: its degrees of freedom are then fewer, by the kurtosis
    of the farms (as for the variance of one sample: Box 1953, doi 10.1093/biomet/40.3-4.318).
    """
    if float(np.std(y)) <= 1e-9 * float(np.abs(y).max()):
        return 0.0, 0.0
    v = np.maximum(v, 1e-8 * float(np.var(y)))
    df = y.size - 1
    kurtosis = float(scipy.stats.kurtosis(y, bias=y.size < 4))
    fewer = df / (1 + max(kurtosis, 0.0) * df / (2 * y.size))

    def q(tau2: float) -> float:
        weight = 1 / (v + tau2)
        return float((weight * (y - (weight * y).sum() / weight.sum()) ** 2).sum())

    top = 1.0 + 1000 * float(np.var(y))
    limits = []
    for share in (0.5 + CONFIDENCE / 2, 0.5 - CONFIDENCE / 2):
        edge = float(scipy.stats.chi2.ppf(share, fewer)) * df / fewer
        there = q(0.0) > edge > q(top)
        limits.append(
            scipy.optimize.brentq(lambda t, edge=edge: q(t) - edge, 0.0, top) if there else 0.0
        )
    return limits[0] ** 0.5, limits[1] ** 0.5
