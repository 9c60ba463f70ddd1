"""response: treated minus check of each site-year, with its interval and its limits as sentences."""

import polars as pl

from schemas import generated
from schemas.tables.trial.response import TABLE
from transforms.methods.strips import STRIPS, in_strip
from transforms.trial.methods.response_words import with_limits_and_reason, with_verdict
from transforms.trial.methods.since_operation import since_operation
from transforms.trial.methods.site_year_error import with_error
from transforms.trial.methods.trial_statistics import (
    findable_difference,
    leaning_block,
    least_difference,
    paired,
    t_interval,
)

SITE_YEAR = ["field", "season"]


def derive(
    *,
    strip_yield: pl.DataFrame,
    season: pl.DataFrame,
    operation: pl.DataFrame,
    field: pl.DataFrame,
    strip: pl.DataFrame,
) -> pl.DataFrame:
    """Response by site-year.

    Yields in kg/ha at market moisture. The response is the mean of the blocks' differences (mean
    of the passes of a block on each side; mapped passes corrected by weighed ones where both strips
    were weighed too), less what the seasons before the work tell of the ground.
    Its error is one for verdict, interval, pooling and money: the scatter between blocks in percent
    of the check yield, drawn toward that of all site-years of the practice and harvest method up to
    this season (Smyth 2004), and the ground between strips as published uniformity trials and the
    farm's own site-years have it, with Student's t. Sides drawn by lot in each block, and strips
    that come several times over the field, need no such addition: their blocks show it. Later
    seasons never change an earlier verdict. One block gives a difference without a test; an error
    of less than one and a half degrees of freedom (two of the blocks, less what the ground takes)
    gives no verdict yet. Each site-year is a question of its
    own, asked before it was sown, so its p is not adjusted for the others (Saville 1990, The
    American Statistician 44, doi 10.1080/00031305.1990.10475712; cited from memory); a claim about
    the practice is the pooled verdict's. A season of which only one side was harvested stays as a row
    without a response.
    """
    tested = _tests(_blocks(strip_yield))
    rows = (
        _sides(strip_yield)
        .join(since_operation(season, operation, field), on=SITE_YEAR, how="left")
        .join(tested, on=SITE_YEAR, how="left")
        .join(_sides_by_lot(strip), on="field", how="left")
        .with_columns(
            pl.col("blocks").fill_null(0),
            response_kg_ha=pl.coalesce("response_kg_ha", "whole_response"),
            treated_kg_ha=pl.coalesce("block_treated", "whole_treated"),
            check_kg_ha=pl.coalesce("block_check", "whole_check"),
        )
        .sort(SITE_YEAR)
    )
    before = _before(rows)
    rows = with_error(rows).with_columns(
        response_pct=pl.when(pl.col("check_kg_ha") > 0).then(
            100 * pl.col("response_kg_ha") / pl.col("check_kg_ha")
        )
    )
    rows = _with_interval(rows).join(before, on="field", how="left")
    rows = with_limits_and_reason(with_verdict(rows))
    return generated.conform(rows.select(TABLE.names), TABLE).sort(TABLE.key)


def _blocks(strip_yield: pl.DataFrame) -> pl.DataFrame:
    """Treated and check yield of each block that has both."""
    corrected = pl.col("yield_kg_ha") * pl.col("calibration").fill_null(1.0)
    sides = (
        strip_yield.filter(
            pl.col("used") & pl.col("yield_kg_ha").is_not_null() & pl.col("block").is_not_null()
        )
        .group_by(*SITE_YEAR, "block", "strip")
        .agg(
            corrected.mean(),
            pl.col("method").unique().sort().str.join(" and "),
            pl.col("block_kind").drop_nulls().first(),
            pl.col("calibration").first(),
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
        "block_kind",
        "calibration",
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
    "block_kind": pl.String,
    "calibration": pl.Float64,
    "compared": pl.Int64,
    "block_treated": pl.Float64,
    "block_check": pl.Float64,
    "response_kg_ha": pl.Float64,
    "own_se_kg_ha": pl.Float64,
    "own_df": pl.Float64,
    "most_influential_block": pl.String,
    "most_influential_share": pl.Float64,
    "without_most_influential_kg_ha": pl.Float64,
}


def _tests(blocks: pl.DataFrame) -> pl.DataFrame:
    """The mean and the scatter of each site-year's blocks."""
    rows = []
    for (name, season), group in blocks.sort("block").group_by(SITE_YEAR, maintain_order=True):
        d = group["difference"].to_numpy()
        row: dict[str, object] = {
            "field": name,
            "season": season,
            "blocks": d.size,
            "method": " and ".join(sorted(set(group["method"]))),
            "block_kind": group["block_kind"].drop_nulls().first(),
            "calibration": group["calibration"].drop_nulls().first(),
            "compared": group["compared"].sum(),
            "block_treated": group["treated"].mean(),
            "block_check": group["check"].mean(),
            "response_kg_ha": float(d.mean()),
        }
        if d.size > 1:
            found = paired(d)
            at, leaning, without = leaning_block(d)
            row |= {
                "own_se_kg_ha": found.se,
                "own_df": found.df,
                "most_influential_block": group["block"][at],
                "most_influential_share": leaning,
                "without_most_influential_kg_ha": without,
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


_INTERVAL = {
    "response_low_kg_ha": pl.Float64,
    "response_high_kg_ha": pl.Float64,
    "response_low_pct": pl.Float64,
    "response_high_pct": pl.Float64,
    "p": pl.Float64,
    "least_difference_kg_ha": pl.Float64,
    "findable_difference_kg_ha": pl.Float64,
}


def _with_interval(rows: pl.DataFrame) -> pl.DataFrame:
    """Add the interval of the site-year's error, in kg/ha and in percent, where blocks test it."""
    found = []
    for response, se, df, level, blocks in rows.select(
        "response_kg_ha", "response_se_kg_ha", "response_df", "check_kg_ha", "blocks"
    ).iter_rows():
        row: dict[str, float] = {}
        if response is not None and se is not None and blocks > 1:
            one = t_interval(response, se, df)
            row = {
                "response_low_kg_ha": one.low,
                "response_high_kg_ha": one.high,
                "response_low_pct": 100 * one.low / level,
                "response_high_pct": 100 * one.high / level,
                "p": one.p,
                "least_difference_kg_ha": least_difference(se, df),
                "findable_difference_kg_ha": findable_difference(se, df),
            }
        found.append(row)
    return rows.hstack(pl.DataFrame(found, schema=_INTERVAL))


def _sides_by_lot(strip: pl.DataFrame) -> pl.DataFrame:
    """How the sides were chosen, by field, as the field book has it."""
    return (
        strip.filter(pl.col("randomized").is_not_null())
        .sort("field", pl.col("strip") == "check")
        .group_by("field", maintain_order=True)
        .agg(pl.col("randomized").first())
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
