"""Pool a value over farms: a farm counts once, however many fields and seasons it has.

Model: value = mean + farm + field + season (of all farms) + what is left of one field in one season. Each
farm becomes one estimate, the mean of its fields' means, with the variance that its fields and seasons
leave in it, from scatters within farms estimated over all farms (moments). Farms are then pooled by
random effects (``trial_pooling``), so a farm with twenty fields is known better but is no twenty farms.
What all farms of a season share does not average out over farms: its part is added to the error.
Coverage by simulation is in ``tests/bench/FIGURES.md``.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy import optimize, stats

from transforms.trial.methods.trial_pooling import Array, pooled
from transforms.trial.methods.trial_statistics import CONFIDENCE, Interval

LEAST_FARMS = 3  # under which nothing is averaged
LEAST_SEASONS = 3  # under which nothing is known of what seasons share


@dataclass(frozen=True, slots=True)
class OverFarms:
    """A mean over farms: its interval, the spread of farms' true means, the range of the next farm.

    ``spread_low`` and ``spread_high`` are the 95 % interval of ``spread`` (a standard deviation);
    ``season_sd`` that of what all farms of a season share, nan where too few seasons tell.
    """

    mean: Interval
    spread: float
    spread_low: float
    spread_high: float
    next_low: float
    next_high: float
    season_sd: float


def over_farms(rows: pl.DataFrame) -> OverFarms:
    """Pool rows of farm, field, season, ``value`` (one a field and season) over farms.

    Raises ValueError for fewer than three farms.
    """
    farms = _farm_means(rows)
    if farms.height < LEAST_FARMS:
        raise ValueError("pooling over farms needs three farms or more")
    y, v = farms["y"].to_numpy(), farms["v"].to_numpy()
    found = pooled(y, v)
    season_sd, variance = _season_part(rows, farms, found.tau2)
    low, high = _spread_interval(y, v)
    return OverFarms(
        _with(found.mean, variance, rows["season"].n_unique() - 1),
        found.tau2**0.5,
        min(low, found.tau2**0.5),
        max(high, found.tau2**0.5),
        found.predicted_low,
        found.predicted_high,
        season_sd,
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


def _season_part(rows: pl.DataFrame, farms: pl.DataFrame, tau2: float) -> tuple[float, float]:
    """Return the standard deviation of what seasons share, and the variance it adds to the mean.

    From departures of each farm's season from the farm's own mean, which a line of season effects is
    fitted to; what scatter alone would make of such effects is taken off.
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
        return float("nan"), 0.0
    one = cells["season"].to_dummies().to_numpy().astype(np.float64)
    design = (one - _farm_mean(cells["farm"], one))[:, 1:]  # effects beside the first season's
    d = cells["d"].to_numpy()
    d = d - _farm_mean(cells["farm"], d[:, None])[:, 0]
    df = cells.height - cells["farm"].n_unique() - (seasons - 1)
    if df < 1 or np.linalg.matrix_rank(design) < seasons - 1:
        return float("nan"), 0.0
    effects = np.linalg.lstsq(design, d, rcond=None)[0]
    left = float(((d - design @ effects) ** 2).sum()) / df
    # Of effects about their mean; the first one is 0 and has no error of its own.
    about = np.eye(seasons)[:, 1:] - 1 / seasons
    covariance = about @ np.linalg.inv(design.T @ design) @ about.T
    noise = left * float(np.trace(covariance)) / (seasons - 1)
    variance = max(0.0, float(((about @ effects) ** 2).sum()) / (seasons - 1) - noise)
    return variance**0.5, variance * float((by_season["c"] ** 2).sum())


def _farm_mean(farm: pl.Series, values: Array) -> Array:
    """Return, for each row, the mean over its farm's rows, by column."""
    place = farm.rank("dense").to_numpy().astype(np.intp) - 1
    counts = np.bincount(place)
    sums = np.stack([np.bincount(place, column) for column in values.T], axis=1)
    return np.asarray((sums / counts[:, None])[place], dtype=np.float64)


def _with(mean: Interval, variance: float, df: float) -> Interval:
    """Return an interval widened by an error of few degrees of freedom.

    Each part by its own t, then squared and added up (Zou and Donner 2008, doi 10.1002/sim.3095): one t
    of mixed degrees of freedom is too short whenever the smaller part was estimated too small (simulated).
    """
    if variance <= 0:
        return mean
    of_each = np.array([mean.df, max(df, 1.0)])
    errors = np.array([mean.se**2, variance]) ** 0.5

    def half(p: float) -> float:
        return float(np.hypot(*(stats.t.isf(p / 2, of_each) * errors)))

    wide = half(1 - CONFIDENCE)
    found = (
        optimize.brentq(lambda p: half(p) - abs(mean.mean), 1e-12, 1.0)
        if half(1e-12) > abs(mean.mean)
        else 0.0
    )
    error = float(np.hypot(*errors))
    return Interval(mean.mean, error, mean.df, found, mean.mean - wide, mean.mean + wide)


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
    kurtosis = float(stats.kurtosis(y, bias=y.size < 4))
    fewer = df / (1 + max(kurtosis, 0.0) * df / (2 * y.size))

    def q(tau2: float) -> float:
        weight = 1 / (v + tau2)
        return float((weight * (y - (weight * y).sum() / weight.sum()) ** 2).sum())

    top = 1.0 + 1000 * float(np.var(y))
    limits = []
    for share in (0.5 + CONFIDENCE / 2, 0.5 - CONFIDENCE / 2):
        edge = float(stats.chi2.ppf(share, fewer)) * df / fewer
        there = q(0.0) > edge > q(top)
        limits.append(optimize.brentq(lambda t, edge=edge: q(t) - edge, 0.0, top) if there else 0.0)
    return limits[0] ** 0.5, limits[1] ** 0.5
