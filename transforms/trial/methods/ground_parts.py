"""Differences between two strips, section by section, compared between parts of the ground.

A part is a set of sections: a stretch along the strips, or all sections on one kind of ground. How much the
sections of a part differ says how much ground differs over short ways; over longer ways it differs more, by
the law that ``ground`` has from published uniformity trials (Smith 1938): the sum of a run of m neighboring
sections varies as s² m^(1 + power). The mean of a part of several runs therefore varies by s² times ``factor``,
the sum of m^(1 + power) over its runs by the square of all its sections. Parts are compared by the F test of
one-way analysis of variance with that variance of a mean; its degrees of freedom hold how little is known of
the ground (``ground.known_df``).
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy import special

from transforms.trial.methods.ground import PRIOR_DF, SPREAD_POWER, known_df
from transforms.trial.methods.trial_statistics import CONFIDENCE, student_t


@dataclass(frozen=True, slots=True)
class Law:
    """How the sum of m neighboring sections varies, as m^(1 + ``power``), and how well that is known.

    ``df``: as if from so many degrees of freedom.
    """

    power: float
    df: float


OF_STRIPS = Law(SPREAD_POWER, PRIOR_DF)
LEAST_SECTIONS = 8  # of all parts together, for an interval


def by_part(sections: pl.DataFrame, group: list[str], law: Law, **also: pl.Expr) -> pl.DataFrame:
    """Return each part's means, interval, and the test of all parts of its group.

    ``sections``: in their order along the strips, with the columns of ``group`` (which parts are compared),
    ``part``, ``treated`` and ``check`` [kg/ha], neither null. ``also``: aggregates of a part. Adds ``sections``,
    ``treated_kg_ha``, ``check_kg_ha``, the response with its interval in kg/ha and percent, ``p`` and
    ``verdict``. A group with under ``LEAST_SECTIONS`` sections or a single part has neither interval nor test.
    """
    new = pl.col("part").ne_missing(pl.col("part").shift().over(group))
    both = sections.with_columns(
        d=pl.col("treated") - pl.col("check"),
        run=new.cast(pl.Int64).cum_sum().over(group),
        all=pl.len().over(group),
        parts=pl.col("part").n_unique().over(group),
    )
    within = (pl.col("d") - pl.col("d").mean().over(*group, "part")) ** 2
    free = (pl.col("all") - pl.col("parts")).cast(pl.Float64)
    both = both.with_columns(s2=within.sum().over(group) / free, free=free)
    runs = both.group_by(*group, "part", "run").agg(m=pl.len().cast(pl.Float64))
    factors = runs.group_by(*group, "part").agg(
        factor=(pl.col("m") ** (1 + law.power)).sum() / pl.col("m").sum() ** 2
    )
    parts = both.group_by(*group, "part", maintain_order=True).agg(
        pl.col("s2", "free", "all", "parts").first(),
        sections=pl.len(),
        treated_kg_ha=pl.col("treated").mean(),
        check_kg_ha=pl.col("check").mean(),
        response_kg_ha=pl.col("d").mean(),
        **also,
    )
    parts = parts.join(factors, on=[*group, "part"], maintain_order="left").with_columns(
        known=(pl.col("all") >= LEAST_SECTIONS) & (pl.col("parts") > 1) & (pl.col("s2") > 0)
    )
    made = _tested(_with_interval(parts, law), group)
    return made.drop("s2", "free", "all", "parts", "known", "factor", "df")


def _with_interval(parts: pl.DataFrame, law: Law) -> pl.DataFrame:
    """Add the interval of each part: the sections' error, and the ground's beyond it."""
    m = parts["sections"].to_numpy().astype(float)
    own = parts["s2"].to_numpy() / m
    ground = np.maximum(parts["s2"].to_numpy() * parts["factor"].to_numpy() - own, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        df = known_df(own, ground, parts["free"].to_numpy(), law.df)
    parts = parts.with_columns(df=pl.Series(df))
    half = student_t(pl.col("df")) * pl.Series(np.sqrt(own + ground))
    response, check = pl.col("response_kg_ha"), pl.col("check_kg_ha")
    percent = pl.when(check > 0).then(100 / check)
    parts = parts.with_columns(half=half)
    enough = pl.col("known") & pl.col("half").is_finite()
    low, high = (
        pl.when(enough).then(end) for end in (response - pl.col("half"), response + pl.col("half"))
    )
    return parts.with_columns(
        response_pct=response * percent,
        response_low_kg_ha=low,
        response_high_kg_ha=high,
        response_low_pct=low * percent,
        response_high_pct=high * percent,
    ).drop("half")


def _tested(parts: pl.DataFrame, group: list[str]) -> pl.DataFrame:
    """Add ``p`` and the verdict of each group's parts together."""
    weight = 1 / pl.col("factor")
    middle = (weight * pl.col("response_kg_ha")).sum() / weight.sum()
    between = (weight * (pl.col("response_kg_ha") - middle) ** 2).sum() / (pl.len() - 1)
    tests = parts.group_by(group).agg(
        ratio=pl.when(pl.col("known").first()).then(between / pl.col("s2").first()),
        over=(pl.len() - 1).cast(pl.Float64),
        df=pl.col("df").mean(),
    )
    ratio = tests["ratio"].fill_null(float("nan"))
    p = special.fdtrc(tests["over"], tests["df"], ratio)
    tests = tests.with_columns(p=pl.Series(np.asarray(p), dtype=pl.Float64).fill_nan(None))
    return parts.join(
        tests.select(*group, "p", verdict=verdict(pl.col("p"))), on=group, maintain_order="left"
    )


def verdict(p: pl.Expr) -> pl.Expr:
    """Return what a p-value says of a group's parts: whether the response differs between them."""
    return (
        pl.when(p.is_null())
        .then(pl.lit("too few"))
        .when(p < 1 - CONFIDENCE)
        .then(pl.lit("differs"))
        .otherwise(pl.lit("not shown"))
    )
