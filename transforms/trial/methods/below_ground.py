"""Treated minus check below ground, a number a site-year, with what is known of its error."""

import polars as pl

from transforms.methods.strips import in_strip

SITE_YEAR = ["field", "season"]
DEEP_CM = 40.0  # below this is deep where the working depth is not known


def capture_gains(capture_season: pl.DataFrame) -> pl.DataFrame:
    """Difference of capture by field and season: one day after the rain where known, else two.

    Returns ``capture_gain`` with ``capture_gain_low`` and ``capture_gain_high`` (95 % interval).
    """
    return (
        capture_season.filter(pl.col("difference").is_not_null())
        .sort("days_after")
        .unique(SITE_YEAR, keep="first", maintain_order=True)
        .select(
            *SITE_YEAR,
            capture_gain="difference",
            capture_gain_low="difference_low",
            capture_gain_high="difference_high",
        )
    )


def uptake_gains(site_years: pl.DataFrame, drawdown_season: pl.DataFrame) -> pl.DataFrame:
    """Uptake of treated less check by field and season, over the depths that both strips have.

    ``site_years`` has field, season and ``operation_depth_cm`` (null: ``DEEP_CM``). Returns
    ``uptake_gain_mm`` of all depths, ``deep_uptake_gain_mm`` of those below the working depth (null
    if there is none) and the standard error of that, ``deep_uptake_error_mm``.
    """
    sides = ["uptake_mm", "uptake_error_mm"]
    one = drawdown_season.filter(pl.col("uptake_mm").is_not_null()).select(
        *SITE_YEAR, "strip", "depth_cm", *sides
    )
    pair = (
        one.filter(pl.col("strip") == "treated")
        .join(one.filter(pl.col("strip") == "check"), on=[*SITE_YEAR, "depth_cm"], suffix="_check")
        .join(site_years.select(*SITE_YEAR, "operation_depth_cm"), on=SITE_YEAR)
        .with_columns(
            gain=pl.col("uptake_mm") - pl.col("uptake_mm_check"),
            variance=pl.col("uptake_error_mm") ** 2 + pl.col("uptake_error_mm_check") ** 2,
            deep=pl.col("depth_cm") > pl.col("operation_depth_cm").fill_null(DEEP_CM),
        )
    )
    deep = pl.col("gain").filter(pl.col("deep"))
    variance = pl.col("variance").filter(pl.col("deep"))
    return (
        pair.sort("depth_cm")
        .group_by(SITE_YEAR)
        .agg(
            uptake_gain_mm=pl.col("gain").sum(),
            deep_uptake_gain_mm=pl.when(deep.len() > 0).then(deep.sum()),
            deep_uptake_error_mm=pl.when((deep.len() > 0) & (variance.null_count() == 0)).then(
                variance.sum().sqrt()
            ),
        )
    )


def recharge_gains(recharge_winter: pl.DataFrame) -> pl.DataFrame:
    """Recharge over the winter before a season, treated less check, by field and season.

    Returns ``recharge_gain_mm``, and ``recharge_share_gain`` of the shares of rain and snow.
    """
    share = pl.col("recharge_share")
    return recharge_winter.group_by(SITE_YEAR).agg(
        pl.col("recharge_gain_mm").max(),
        recharge_share_gain=in_strip(share, "treated").first() - in_strip(share, "check").first(),
    )
