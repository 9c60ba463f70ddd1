"""response: treated minus check of each site-year, with its interval and its limits in words."""

import numpy as np
import polars as pl

from schemas import generated
from schemas.tables.trial.response import TABLE
from transforms.methods.strips import STRIPS, in_strip
from transforms.trial.methods.response_words import verdict, with_limits_and_reason
from transforms.trial.methods.since_operation import since_operation
from transforms.trial.methods.trial_statistics import (
    alike_neighbours,
    false_discovery,
    findable_difference,
    leaning_block,
    least_difference,
    paired,
    shared_variances,
)

SITE_YEAR = ["field", "season"]
SECTION_M = 20.0  # length of a section along mapped strips: several points of a usual monitor
LEAST_SECTIONS = 12  # for an interval


def derive(
    strip_yield: pl.DataFrame,
    season: pl.DataFrame,
    operation: pl.DataFrame,
    field: pl.DataFrame,
    yield_point_cleaned: pl.DataFrame,
) -> pl.DataFrame:
    """Response by site-year.

    Yields in kg/ha at market moisture. The blocks' differences (mean of the passes of a block on
    each side) go through a paired t; one block gives a difference without a test. The verdict
    goes by the p adjusted over all tested site-years (Benjamini and Hochberg 1995), so that the
    chance of any response among trials without one is at most 5 %. Where mapped points lie on
    both sides, sections of 20 m along the strips give a second interval that allows for the
    likeness of neighbours. A season of which only one side was harvested stays as a row without
    a response. The scatter shared over site-years is taken in percent of the check yield, so
    that crops of different yield may share it.
    """
    tested = _tests(_blocks(strip_yield))
    rows = (
        _sides(strip_yield)
        .join(since_operation(season, operation, field), on=SITE_YEAR, how="left")
        .join(tested, on=SITE_YEAR, how="left")
        .join(_sections(yield_point_cleaned), on=SITE_YEAR, how="left")
        .with_columns(
            pl.col("blocks").fill_null(0),
            response_kg_ha=pl.coalesce("response_kg_ha", "whole_response"),
            treated_kg_ha=pl.coalesce("block_treated", "whole_treated"),
            check_kg_ha=pl.coalesce("block_check", "whole_check"),
        )
        .with_columns(
            response_pct=pl.when(pl.col("check_kg_ha") > 0).then(
                100 * pl.col("response_kg_ha") / pl.col("check_kg_ha")
            )
        )
        .sort(SITE_YEAR)
    )
    rows = _with_verdict(_with_shared_error(rows)).join(_before(rows), on="field", how="left")
    return generated.conform(with_limits_and_reason(rows).select(TABLE.names), TABLE).sort(
        TABLE.key
    )


def _blocks(strip_yield: pl.DataFrame) -> pl.DataFrame:
    """Treated and check yield of each block that has both."""
    sides = (
        strip_yield.filter(
            pl.col("used") & pl.col("yield_kg_ha").is_not_null() & pl.col("block").is_not_null()
        )
        .group_by(*SITE_YEAR, "block", "strip")
        .agg(
            pl.col("yield_kg_ha").mean(),
            pl.col("method").unique().sort().str.join(" and "),
            passes=pl.len(),
        )
    )
    treated, check = (
        sides.filter(pl.col("strip") == side).drop("strip") for side in ("treated", "check")
    )
    return treated.join(check, on=[*SITE_YEAR, "block"], suffix="_check").select(
        *SITE_YEAR,
        "block",
        "method",
        treated="yield_kg_ha",
        check="yield_kg_ha_check",
        difference=pl.col("yield_kg_ha") - pl.col("yield_kg_ha_check"),
        compared=pl.col("passes") + pl.col("passes_check"),
    )


_TESTED = {
    "field": pl.String,
    "season": pl.Int64,
    "blocks": pl.Int64,
    "method": pl.String,
    "compared": pl.Int64,
    "block_treated": pl.Float64,
    "block_check": pl.Float64,
    "response_kg_ha": pl.Float64,
    "response_se_kg_ha": pl.Float64,
    "response_df": pl.Float64,
    "response_low_kg_ha": pl.Float64,
    "response_high_kg_ha": pl.Float64,
    "p": pl.Float64,
    "least_difference_kg_ha": pl.Float64,
    "findable_difference_kg_ha": pl.Float64,
    "leaning_block": pl.String,
    "leaning_share": pl.Float64,
    "without_leaning_kg_ha": pl.Float64,
}


def _tests(blocks: pl.DataFrame) -> pl.DataFrame:
    """The paired t of each site-year's blocks."""
    rows = []
    for (name, season), group in blocks.sort("block").group_by(SITE_YEAR, maintain_order=True):
        d = group["difference"].to_numpy()
        row: dict[str, object] = {
            "field": name,
            "season": season,
            "blocks": d.size,
            "method": " and ".join(sorted(set(group["method"]))),
            "compared": group["compared"].sum(),
            "block_treated": group["treated"].mean(),
            "block_check": group["check"].mean(),
            "response_kg_ha": float(d.mean()),
        }
        if d.size > 1:
            found = paired(d)
            at, leaning, without = leaning_block(d)
            row |= {
                "response_se_kg_ha": found.se,
                "response_df": found.df,
                "response_low_kg_ha": found.low,
                "response_high_kg_ha": found.high,
                "p": found.p,
                "least_difference_kg_ha": least_difference(found.se, found.df),
                "findable_difference_kg_ha": findable_difference(found.se, found.df),
                "leaning_block": group["block"][at],
                "leaning_share": leaning,
                "without_leaning_kg_ha": without,
            }
        rows.append(row)
    return pl.DataFrame(rows, schema=_TESTED).with_columns(pl.col(pl.Float64).fill_nan(None))


def _sides(strip_yield: pl.DataFrame) -> pl.DataFrame:
    """What each side has, one row a site-year that was harvested at all."""
    whole = strip_yield.filter((pl.col("pass") == "all") & (pl.col("method") == "combined"))
    passes = strip_yield.filter(pl.col("pass") != "all")
    mean = {
        f"whole_{strip}": in_strip(pl.col("yield_kg_ha"), strip).mean() for strip in STRIPS["strip"]
    }
    return (
        strip_yield.select(SITE_YEAR)
        .unique()
        .join(
            whole.group_by(SITE_YEAR).agg(**mean),
            on=SITE_YEAR,
            how="left",
        )
        .join(
            passes.group_by(SITE_YEAR).agg(recorded=pl.col("used").sum()),
            on=SITE_YEAR,
            how="left",
        )
        .join(
            strip_yield.group_by(SITE_YEAR).agg(
                methods_disagree=pl.col("methods_disagree").any(),
                yield_partial=(pl.col("partial") & (pl.col("pass") == "all")).any(),
            ),
            on=SITE_YEAR,
            how="left",
        )
        .with_columns(whole_response=pl.col("whole_treated") - pl.col("whole_check"))
    )


def _with_shared_error(rows: pl.DataFrame) -> pl.DataFrame:
    """Add the standard error with the blocks' relative scatter shared over the site-years."""
    level = rows["check_kg_ha"].fill_null(float("nan")).to_numpy()
    level = np.where(level > 0, level, np.nan)
    blocks = rows["blocks"].to_numpy().astype(float)
    se = rows["response_se_kg_ha"].fill_null(float("nan")).to_numpy()
    relative = (se / level) ** 2 * blocks
    variance, df = shared_variances(relative, np.maximum(blocks - 1, 0))
    known = rows["response_kg_ha"].is_not_null().to_numpy()
    shared = np.where(known, np.sqrt(variance / np.maximum(blocks, 1)) * level, np.nan)
    return rows.with_columns(
        shared_se_kg_ha=pl.Series(shared).fill_nan(None),
        shared_df=pl.Series(np.where(np.isfinite(shared), df, np.nan)).fill_nan(None),
    )


def _with_verdict(rows: pl.DataFrame) -> pl.DataFrame:
    """Add the adjusted p and the verdict. A check strip that was worked too is no check."""
    usable = pl.when(~pl.col("check_worked").fill_null(False)).then(pl.col("p"))
    p = rows.select(usable.fill_null(float("nan")))["p"].to_numpy()
    adjusted = pl.Series(false_discovery(p)).fill_nan(None)
    return rows.with_columns(p_adjusted=adjusted).with_columns(
        verdict=pl.when(pl.col("response_kg_ha").is_not_null()).then(verdict("not tested"))
    )


def _before(rows: pl.DataFrame) -> pl.DataFrame:
    """Mean difference of the strips before anything was done to one of them."""
    worked = rows.filter(pl.col("operation_day").is_not_null()).select("field").unique()
    return (
        rows.filter(pl.col("operation_day").is_null())
        .join(worked, on="field", how="semi")
        .group_by("field")
        .agg(before_kg_ha=pl.col("response_kg_ha").mean())
    )


def _sections(points: pl.DataFrame) -> pl.DataFrame:
    """Treated minus check by sections along mapped strips, and the interval of their mean."""
    kept = points.filter(
        pl.col("kept")
        & pl.col("strip").is_not_null()
        & pl.col("yield_kg_ha").is_not_null()
        & pl.col("east_m").is_not_null()
        & pl.col("north_m").is_not_null()
    )
    rows = []
    for (name, season), group in kept.group_by(SITE_YEAR, maintain_order=True):
        place = group.select("east_m", "north_m").to_numpy()
        centred = place - place.mean(axis=0)
        # The strips' long axis is that of the points' greatest spread.
        axis = np.linalg.svd(centred, full_matrices=False)[2][0]
        axis = axis * (1.0 if axis[np.argmax(np.abs(axis))] > 0 else -1.0)
        section = np.floor(centred @ axis / SECTION_M).astype(np.int64)
        by_side = (
            group.select("strip", "yield_kg_ha")
            .with_columns(section=pl.Series(section))
            .group_by("section", "strip")
            .agg(pl.col("yield_kg_ha").mean())
            .pivot(on="strip", index="section", values="yield_kg_ha")
        )
        if not {"treated", "check"} <= set(by_side.columns):
            continue
        both = by_side.drop_nulls().sort("section")
        d = (both["treated"] - both["check"]).to_numpy()
        row: dict[str, object] = {"field": name, "season": season, "map_sections": d.size}
        if d.size:
            row["map_response_kg_ha"] = float(d.mean())
        if d.size >= LEAST_SECTIONS:
            found = alike_neighbours(d)
            row |= {"map_low_kg_ha": found.low, "map_high_kg_ha": found.high}
        rows.append(row)
    return pl.DataFrame(
        rows,
        schema={
            "field": pl.String,
            "season": pl.Int64,
            "map_sections": pl.Int64,
            "map_response_kg_ha": pl.Float64,
            "map_low_kg_ha": pl.Float64,
            "map_high_kg_ha": pl.Float64,
        },
    )
