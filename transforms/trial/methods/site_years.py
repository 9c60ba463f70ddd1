"""Pool a value over site-years that may be alike within a field or within a season."""

from collections.abc import Mapping

import polars as pl

from transforms.trial.methods.trial_pooling import pooled
from transforms.trial.methods.trial_statistics import Interval, t_interval

LEAST = 3  # site-years, fields or seasons under which nothing is averaged


def counted_by(known: pl.DataFrame, by_site_year: Interval) -> dict[str, Interval]:
    """Return the intervals by site-years, by means of fields and by means of seasons.

    ``known`` has ``field``, ``season``, ``value`` and ``error`` (its standard error, null if not
    known); ``by_site_year`` is the interval over site-years. Keyed by what counts as one
    observation: 'site-year', and 'field' and 'season' from three of them on. Site-years of a field,
    or of a season, may share more than the practice; then the interval over site-years is too
    narrow. ``lasting``, if there, is the part of ``error`` that all site-years of a field share (the
    ground): more seasons in the same field do not lessen it.
    """
    if "lasting" not in known.columns:
        known = known.with_columns(lasting=pl.lit(0.0))
    known = known.with_columns(pl.col("lasting").fill_null(0.0))
    shared = _shared_variance(known)
    found = {"site-year": _wider(by_site_year, shared)}
    variance, lasting = pl.col("error") ** 2, pl.col("lasting") ** 2
    for unit in ("field", "season"):
        common = lasting.mean() * (1 - 1 / pl.len()) if unit == "field" else pl.lit(0.0)
        means = known.group_by(unit, maintain_order=True).agg(
            y=pl.col("value").mean(),
            v=pl.when(variance.null_count() == 0).then(variance.sum() / pl.len() ** 2 + common),
        )
        if LEAST <= means.height < known.height:
            one = pooled(means["y"], means["v"].fill_null(float("nan"))).cautious
            found[unit] = one if unit == "field" else _wider(one, shared)
    return found


def widest(found: Mapping[str, Interval]) -> tuple[str, Interval]:
    """Return the widest of the intervals of ``counted_by``, with what it counts as one observation."""
    return max(found.items(), key=lambda item: item[1].high - item[1].low)


def _shared_variance(known: pl.DataFrame) -> float:
    """Variance of a plain mean that comes from site-years of a field sharing ``lasting``."""
    by_field = known.group_by("field", maintain_order=True).agg(
        n=pl.len(), lasting=(pl.col("lasting") ** 2).mean()
    )
    n = by_field["n"].to_numpy().astype(float)
    return float((by_field["lasting"].to_numpy() * n * (n - 1)).sum()) / known.height**2


def _wider(one: Interval, variance: float) -> Interval:
    """Return the interval with a variance added to its error's."""
    return t_interval(one.mean, float((one.se**2 + variance) ** 0.5), one.df) if variance else one
