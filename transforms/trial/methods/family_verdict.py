"""The verdict of each of several questions asked together: p adjusted within its family."""

from collections.abc import Sequence

import polars as pl

from transforms.trial.methods.trial_statistics import CONFIDENCE, false_discovery


def adjusted(p: str, family: str | Sequence[str | pl.Expr]) -> pl.Expr:
    """A column of p adjusted within each family (``false_discovery``); null stays null and is no test."""
    return (
        pl.col(p)
        .fill_null(float("nan"))
        .map_batches(lambda one: pl.Series(false_discovery(one)), return_dtype=pl.Float64)
        .over(family)
        .fill_nan(None)
    )


def with_more_or_less(rows: pl.DataFrame, difference: pl.Expr) -> pl.DataFrame:
    """Add ``p_adjusted``, of ``p`` within the practice, and the verdict on treated minus check."""
    return rows.with_columns(p_adjusted=adjusted("p", "practice")).with_columns(
        verdict=pl.when(pl.col("p_adjusted").is_null())
        .then(pl.lit("too few"))
        .when(pl.col("p_adjusted") > 1 - CONFIDENCE)
        .then(pl.lit("not shown"))
        .when(difference > 0)
        .then(pl.lit("more"))
        .otherwise(pl.lit("less"))
    )
