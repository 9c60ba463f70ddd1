"""Treated minus check by parts along mapped strips: better all along, or only in one place?

Both strips are cut into sections along their border (``map_sections``), and the sections into ``PARTS``
parts of as many sections each. How much the sections of a part differ says how much ground differs over
short ways; over the length of a part it differs more, by the law that ``ground`` has from published
uniformity trials (Smith 1938): the mean of m sections varies as s² m^(power - 1). The parts are compared
by the F test of one-way analysis of variance with that variance of a mean; its degrees of freedom hold
how little is known of the ground (``ground.known_df``). What it claims where nothing was applied:
``tests/bench/FIGURES.md``.
"""

import numpy as np
import polars as pl
from scipy import stats

from schemas import generated
from schemas.tables.trial.response_along import PARTS, TABLE
from transforms.trial.methods.ground import PRIOR_DF, SPREAD_POWER, known_df
from transforms.trial.methods.map_geometry import with_border
from transforms.trial.methods.map_sections import by_section
from transforms.trial.methods.trial_statistics import CONFIDENCE, student_t

SITE_YEAR = ["field", "season"]
LEAST_SECTIONS = 2 * PARTS  # for an interval


def derive(yield_point_cleaned: pl.DataFrame, mapped_pass: pl.DataFrame) -> pl.DataFrame:
    """Four rows for each season whose mapped passes are compared; none where they are not (``mapped_pass``).

    With fewer than ``LEAST_SECTIONS`` sections a part has no interval, and nothing is tested.
    """
    compared = mapped_pass.filter(pl.col("block").is_not_null())
    points = yield_point_cleaned.join(compared, on=SITE_YEAR, how="semi")
    sections = by_section(with_border(points))
    if sections.is_empty():
        return generated.empty(TABLE)
    both = sections.drop_nulls(["treated", "check"]).sort(*SITE_YEAR, "place_m")
    rank = pl.int_range(pl.len()).over(SITE_YEAR)
    both = both.with_columns(
        part=(rank * PARTS // pl.len().over(SITE_YEAR) + 1).cast(pl.Int64),
        d=pl.col("treated") - pl.col("check"),
        all=pl.len().over(SITE_YEAR),
    )
    within = (pl.col("d") - pl.col("d").mean().over(*SITE_YEAR, "part")) ** 2
    both = both.with_columns(s2=within.sum().over(SITE_YEAR) / (pl.col("all") - PARTS))
    parts = both.group_by(*SITE_YEAR, "part", maintain_order=True).agg(
        pl.col("counted_from", "section_m", "s2", "all").first(),
        from_m=pl.col("place_m").min(),
        to_m=pl.col("place_m").max() + pl.col("section_m").first(),
        sections=pl.len(),
        treated_kg_ha=pl.col("treated").mean(),
        check_kg_ha=pl.col("check").mean(),
        response_kg_ha=pl.col("d").mean(),
    )
    made = _with_coverage(_tested(_with_interval(parts)))
    return generated.conform(made.drop("section_m", "s2", "all", "half", "df", "error"), TABLE)


def _with_interval(parts: pl.DataFrame) -> pl.DataFrame:
    """Add the interval of each part: the sections' error, and the ground's beyond it."""
    m = parts["sections"].to_numpy().astype(float)
    own = parts["s2"].to_numpy() / m
    ground = own * (m**SPREAD_POWER - 1)
    free = parts["all"].to_numpy().astype(float) - PARTS
    with np.errstate(divide="ignore", invalid="ignore"):
        df = known_df(own, ground, free, PRIOR_DF)
    parts = parts.with_columns(df=pl.Series(df), error=pl.Series(np.sqrt(own + ground)))
    parts = parts.with_columns(half=student_t(pl.col("df")) * pl.col("error"))
    response, check = pl.col("response_kg_ha"), pl.col("check_kg_ha")
    enough = (pl.col("all") >= LEAST_SECTIONS) & pl.col("half").is_finite()
    low, high = (
        pl.when(enough).then(end) for end in (response - pl.col("half"), response + pl.col("half"))
    )
    percent = pl.when(check > 0).then(100 / check)
    return parts.with_columns(
        response_pct=response * percent,
        response_low_kg_ha=low,
        response_high_kg_ha=high,
        response_low_pct=low * percent,
        response_high_pct=high * percent,
    )


def _tested(parts: pl.DataFrame) -> pl.DataFrame:
    """Add ``p`` and the verdict of each site-year's parts together."""
    weight = pl.col("sections").cast(pl.Float64) ** (1 - SPREAD_POWER)
    middle = (weight * pl.col("response_kg_ha")).sum() / weight.sum()
    between = (weight * (pl.col("response_kg_ha") - middle) ** 2).sum() / (PARTS - 1)
    known = (pl.col("all").first() >= LEAST_SECTIONS) & (pl.col("s2").first() > 0)
    tests = parts.group_by(SITE_YEAR).agg(
        ratio=pl.when(known).then(between / pl.col("s2").first()),
        df=pl.col("df").mean(),
    )
    p = stats.f.sf(tests["ratio"].fill_null(float("nan")), PARTS - 1, tests["df"])
    tests = tests.with_columns(p=pl.Series(np.asarray(p), dtype=pl.Float64).fill_nan(None))
    verdict = (
        pl.when(pl.col("p").is_null())
        .then(pl.lit("too few"))
        .when(pl.col("p") < 1 - CONFIDENCE)
        .then(pl.lit("differs"))
        .otherwise(pl.lit("not shown"))
    )
    return parts.join(tests.select(*SITE_YEAR, "p", verdict=verdict), on=SITE_YEAR)


def _with_coverage(parts: pl.DataFrame) -> pl.DataFrame:
    span = (pl.col("to_m") - pl.col("from_m")) / pl.col("section_m")
    parts = parts.with_columns(coverage=(pl.col("sections") / span).clip(0, 1))
    lacks = pl.col("coverage") < 1
    few = pl.col("verdict") == "too few"
    return parts.with_columns(
        partial=lacks | few,
        reason=pl.when(few)
        .then(pl.lit("too few sections along the strips have mapped points on both sides"))
        .when(lacks)
        .then(pl.lit("some sections have mapped points on one side only")),
    )
