"""Several strips of one practice in a field and season: taken once, with the error of their mean.

Strips that are compared with one check share its error, so two such differences of equal error
correlate by one half (Gleser and Olkin 2009, Stochastically dependent effect sizes, in The Handbook of
Research Synthesis and Meta-Analysis, 2nd ed., 357-376; from memory). Their mean has the variance
``(sum of s^2 + (sum of s)^2) / (2 k^2)``. To combine the groups of one study before pooling is what the
Cochrane Handbook (6.4, section 23.3.4; from memory) recommends. Strips with checks of their own are
taken alike, which errs on the side of caution.
"""

from collections.abc import Sequence

import polars as pl

SITE_YEAR = ["practice", "field", "season"]
CORRELATION = 0.5


def in_fields(rows: pl.DataFrame, comparison: pl.DataFrame) -> pl.DataFrame:
    """Return rows under the names of their fields in place of their comparisons'."""
    names = comparison.select(field="name", _place="field")
    return (
        rows.join(names, on="field", how="left", maintain_order="left")
        .with_columns(field=pl.coalesce("_place", "field"))
        .drop("_place")
    )


def once(
    rows: pl.DataFrame,
    within: Sequence[str],
    values: Sequence[str],
    errors: Sequence[str],
    apart: Sequence[str] = (),
) -> pl.DataFrame:
    """Return rows with those of one practice, field, season and ``within`` as one.

    ``values`` are averaged, ``errors`` (standard errors, null where unknown) become those of the mean;
    of other columns the first stands. Rows that ``apart`` keeps apart (years since the work) get wider
    errors, so that their mean has the error it should. Rows that stand alone are left as they are.
    """
    unit = [*SITE_YEAR, *within]
    if rows.select(unit).is_unique().all():
        return rows
    merged = rows.group_by(*unit, *apart, maintain_order=True).agg(
        *(pl.col(name).mean() for name in values),
        *(_of_mean(pl.col(name)).alias(name) for name in errors),
        pl.exclude(*unit, *apart, *values, *errors).first(),
    )
    wider = (1 + CORRELATION * (pl.len().over(unit) - 1)).sqrt()
    return merged.with_columns(pl.col(name) * wider for name in errors).select(rows.columns)


def _of_mean(error: pl.Expr) -> pl.Expr:
    """Return the standard error of a mean of values that share a check; null if one is unknown."""
    variance = (1 - CORRELATION) * (error**2).sum() + CORRELATION * error.sum() ** 2
    return pl.when(error.null_count() == 0).then(variance.sqrt() / pl.len())
