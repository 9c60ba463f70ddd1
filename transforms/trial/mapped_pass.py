"""Combine passes made from the cleaned points of a yield map.

The yield of a pass is that of its kept points weighted by the area each stands for. Its standard
error allows for neighbouring points being alike: the kept points count as ``n / (1 + 2 sum r_k)``,
the autocorrelations ``r_k`` along the pass summed up to the first that is not positive (the usual
effective sample size of a mean of a series; Bayley and Hammersley 1946, Journal of the Royal
Statistical Society Supplement 8, 184-197; the cut-off is common practice, no source).

Passes of a strip are counted from the border between the strips: runs whose distance from it
differs by less than half a swath are one place. The first place of the treated strip and the first
of the check strip make block 1, and so on; where one place has several passes, they share a block.
"""

import numpy as np
import polars as pl

from schemas import generated
from schemas.tables.trial.mapped_pass import TABLE
from transforms.trial.methods.map_geometry import Floats

PASS = ["field", "season", "strip", "pass"]
STRIP = ["field", "season", "strip"]
# Fewer kept points than this say nothing reliable about a pass
FEWEST = 10
ASSUMED_WIDTH_M = 9.0  # only to tell places apart where the export has no widths


def derive(yield_point_cleaned: pl.DataFrame) -> pl.DataFrame:
    """One row a pass; a pass with fewer than ten kept points has a null yield and the reason."""
    points = _with_pass_name(
        yield_point_cleaned.filter(pl.col("strip").is_not_null() & pl.col("pass").is_not_null())
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
        border_m=pl.col("border_m").mean(),
        length_m=pl.col("distance_m").filter(good).sum(),
        width_m=pl.col("width_m").filter(good).mean(),
        points=pl.len(),
        points_kept=good.sum(),
        mean=(w * y).filter(good & has).sum() / w.filter(good & has).sum(),
        yield_uncleaned_kg_ha=(w * y).filter(has).sum() / w.filter(has).sum(),
        moisture_pct=pl.col("moisture_pct").filter(good).mean(),
        spread=y.filter(good & has).std(),
        series=y.filter(good & has),
        partial=(good & pl.col("partial")).any(),
        whys=pl.col("reason").filter(good).drop_nulls().unique().sort().str.join("; "),
    )
    effective = pl.Series(
        [effective_number(np.asarray(s, dtype=float)) for s in passes["series"]], dtype=pl.Float64
    )
    enough = pl.col("points_kept") >= FEWEST
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
        _with_block(passes).select(pl.selectors.by_name(TABLE.names, require_all=False)), TABLE
    ).sort(TABLE.key)


def _with_pass_name(points: pl.DataFrame) -> pl.DataFrame:
    """Where several maps cover a strip in one season, the map's name goes before the pass."""
    several = pl.col("map_file").n_unique().over(STRIP) > 1
    return points.sort("map_file", "point").with_columns(
        pl.when(several)
        .then(pl.format("{} {}", "map_file", "pass"))
        .otherwise("pass")
        .alias("pass")
    )


def _with_block(passes: pl.DataFrame) -> pl.DataFrame:
    """The pass's place from the border, as text: a new place where the distance jumps half a swath."""
    half = pl.coalesce(pl.col("width_m").mean().over(STRIP), pl.lit(ASSUMED_WIDTH_M)) / 2
    placed = passes.sort(*STRIP, "border_m", nulls_last=True).with_columns(
        jump=(pl.col("border_m").diff().over(STRIP) > half).fill_null(False)
    )
    place = (pl.col("jump").cum_sum().over(STRIP) + 1).cast(pl.String)
    return placed.with_columns(block=pl.when(pl.col("border_m").is_not_null()).then(place))


def effective_number(series: Floats) -> float | None:
    """How many independent points a series of like neighbours is worth, between 1 and its length."""
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
