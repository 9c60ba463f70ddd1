"""Combine passes made from the cleaned points of a yield map.

The yield of a pass is that of its kept points weighted by the area each stands for. Its standard
error allows for neighboring points being alike: the kept points count as ``n / (1 + 2 sum r_k)``,
the autocorrelations ``r_k`` along the pass summed up to the first that is not positive (the usual
effective sample size of a mean of a series; Bayley and Hammersley 1946, Journal of the Royal
Statistical Society Supplement 8, 184-197; the cut-off is common practice, no source).

Which passes are compared: ``map_pairs`` of the methods. A monitor reads differently by the way that the
combine is driven (2 to 3 % on two of three published maps without treatment, ``tests/bench/FIGURES.md``), so
strips of which one was driven one way throughout and the other the other way are not compared.
"""

import numpy as np
import polars as pl

from schemas import generated
from schemas.tables.trial.mapped_pass import TABLE
from transforms.trial.methods.map_geometry import Floats, with_border
from transforms.trial.methods.map_pairs import NEAR_BORDER_M, with_blocks
from transforms.trial.methods.map_passes import OVER_EDGE_WHY

GRAIN = ["moisture_pct", "test_weight_kg_hl", "protein_pct"]
PASS = ["field", "season", "strip", "pass", "block"]
STRIP = ["field", "season", "strip"]
# Fewer kept points than this say nothing reliable about a pass, nor about its part of a crossing
FEWEST = 10
FEWEST_CROSSING = 3
MOSTLY = 0.5  # of a pass's points: beyond it the pass lies on the edge
ONE_WAY = 0.8  # of a pass's steps, more there than back or the reverse
ONE_WAY_WHY = (
    "every pass of one strip was driven one way and every pass of the other strip the other way, so the "
    "combine's direction may be all of the difference: drive both ways in each strip"
)


def derive(yield_point_cleaned: pl.DataFrame) -> pl.DataFrame:
    """One row a pass; a pass with too few kept points has a null yield and the reason.

    No row for a pass that lies on the strip's edge: it was not meant to measure it.
    """
    points = _with_pass_name(
        with_border(yield_point_cleaned).filter(
            pl.col("strip").is_not_null()
            & pl.col("pass").is_not_null()
            & (~pl.col("crossed") | (pl.col("border_m") <= NEAR_BORDER_M)).fill_null(True)
        )
    )
    if points.is_empty():
        return generated.empty(TABLE)
    area = pl.col("distance_m") * pl.coalesce("width_m", pl.lit(1.0))
    points = points.with_columns(
        w=pl.when(area > 0).then(area), y=pl.col("yield_kg_ha"), good=pl.col("kept")
    )
    w, y, good = pl.col("w"), pl.col("y"), pl.col("good")
    has = y.is_not_null() & w.is_not_null()
    passes = points.group_by(PASS, maintain_order=True).agg(
        pl.col(GRAIN).filter(good).mean(),
        border_m=pl.coalesce(pl.col("border_m").filter(good).mean(), pl.col("border_m").mean()),
        across_m=pl.col("across_m").mean(),
        way=pl.col("ahead_m").diff().sign().mean(),
        crossed=pl.col("crossed").any(),
        length_m=pl.col("distance_m").filter(good).sum(),
        width_m=pl.col("width_m").filter(good).mean(),
        points=pl.len(),
        points_kept=good.sum(),
        mean=(w * y).filter(good & has).sum() / w.filter(good & has).sum(),
        yield_uncleaned_kg_ha=(w * y).filter(has).sum() / w.filter(has).sum(),
        spread=y.filter(good & has).std(),
        series=y.filter(good & has),
        over_edge=(pl.col("removed_because") == OVER_EDGE_WHY).fill_null(False).mean(),
        partial=(good & pl.col("partial")).any(),
        whys=pl.col("reason").filter(good).drop_nulls().unique().sort().str.join("; "),
    )
    passes = passes.filter(pl.col("over_edge") <= MOSTLY)
    if passes.is_empty():
        return generated.empty(TABLE)
    effective = pl.Series(
        [effective_number(np.asarray(s, dtype=float)) for s in passes["series"]], dtype=pl.Float64
    )
    enough = pl.col("points_kept") >= pl.when("crossed").then(FEWEST_CROSSING).otherwise(FEWEST)
    passes = passes.with_columns(points_effective=effective).with_columns(
        yield_kg_ha=pl.when(enough).then("mean"),
        yield_se_kg_ha=pl.when(enough).then(pl.col("spread") / pl.col("points_effective").sqrt()),
        yield_uncleaned_kg_ha=pl.col("yield_uncleaned_kg_ha").fill_nan(None),
        coverage=pl.col("points_kept") / pl.col("points"),
        partial=pl.col("partial") | ~enough,
        reason=pl.when(~enough)
        .then(pl.format("only {} points are left after cleaning", "points_kept"))
        .when(pl.col("whys") != "")
        .then("whys"),
    )
    return generated.conform(
        _without_one_way(with_blocks(passes)).select(
            pl.selectors.by_name(TABLE.names, require_all=False)
        ),
        TABLE,
    ).sort(TABLE.key)


def _without_one_way(passes: pl.DataFrame) -> pl.DataFrame:
    """Take the blocks off a season whose strips were each driven one way, and not the same."""
    compared = pl.col("block").is_not_null()
    there = (pl.col("way") > ONE_WAY).fill_null(False)
    back = (pl.col("way") < -ONE_WAY).fill_null(False)

    def throughout(way: pl.Expr) -> pl.Expr:
        """Whether all compared passes of the strip were driven so."""
        return (way | ~compared).all().over(STRIP)

    seasons = [name for name in STRIP if name != "strip"]
    each = compared & (throughout(there) | throughout(back))
    one_way = (
        (each | ~compared).all().over(seasons)
        & (compared & there).any().over(seasons)
        & (compared & back).any().over(seasons)
        & (compared.sum().over(seasons) > 2)
    )
    reason = pl.concat_str("reason", pl.lit(ONE_WAY_WHY), separator="; ", ignore_nulls=True)
    return passes.with_columns(
        block=pl.when(~one_way).then("block"),
        block_kind=pl.when(~one_way).then("block_kind"),
        partial=pl.col("partial") | (one_way & compared),
        reason=pl.when(one_way & compared).then(reason).otherwise("reason"),
    )


def _with_pass_name(points: pl.DataFrame) -> pl.DataFrame:
    """The pass's name with its block's before it, and its map's if several cover the strip."""
    several = pl.col("map_file").n_unique().over(STRIP) > 1
    return points.sort("map_file", "point").with_columns(
        pl.concat_str(
            pl.when(several).then("map_file"), "block", "pass", separator=" ", ignore_nulls=True
        ).alias("pass")
    )


def effective_number(series: Floats) -> float | None:
    """How many independent points a series of like neighbors is worth, between 1 and its length."""
    n = len(series)
    if n < 2:
        return float(n) if n else None
    deviation = series - series.mean()
    power = float(deviation @ deviation)
    if power <= 0:
        return float(n)
    total = 0.0
    for lag in range(1, n // 2 + 1):
        r = float(deviation[lag:] @ deviation[:-lag]) / power
        if r <= 0:
            break
        total += r
    return max(1.0, n / (1 + 2 * total))
