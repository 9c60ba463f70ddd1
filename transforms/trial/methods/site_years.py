"""Pool a value over site-years that may be alike within a field or within a season."""

import polars as pl

from transforms.trial.methods.trial_pooling import pooled
from transforms.trial.methods.trial_statistics import Interval

LEAST = 3  # site-years, fields or seasons under which nothing is averaged


def widest(known: pl.DataFrame, by_site_year: Interval) -> tuple[str, Interval]:
    """Return the widest of the intervals by site-years, by means of fields and by means of seasons.

    ``known`` has ``field``, ``season``, ``value`` and ``error`` (its standard error, null if not
    known); ``by_site_year`` is the interval over site-years. Returned with what it counts as one
    observation: 'site-year', 'field' or 'season'. Site-years of a field, or of a season, may share
    more than the practice; then the interval over site-years is too narrow.
    """
    found = {"site-year": by_site_year}
    variance = pl.col("error") ** 2
    for unit in ("field", "season"):
        means = known.group_by(unit, maintain_order=True).agg(
            y=pl.col("value").mean(),
            v=pl.when(variance.null_count() == 0).then(variance.sum() / pl.len() ** 2),
        )
        if LEAST <= means.height < known.height:
            found[unit] = pooled(means["y"], means["v"].fill_null(float("nan"))).cautious
    return max(found.items(), key=lambda item: item[1].high - item[1].low)
