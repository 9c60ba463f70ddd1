"""Treated minus check of roots and water, one number a site-year and measure, with its error."""

import polars as pl

from transforms.methods.normal_range import Z_90, Z_95
from transforms.methods.texts import depth_text
from transforms.trial.methods.below_ground import (
    SITE_YEAR,
    capture_gains,
    recharge_gains,
    uptake_gains,
)
from transforms.trial.methods.since_operation import since_operation

WHOLE_PROFILE = "all"


def measured(
    site_years: pl.DataFrame,
    *,
    root_lead: pl.DataFrame,
    drawdown_season: pl.DataFrame,
    water_use_season: pl.DataFrame,
    recharge_winter: pl.DataFrame,
    capture_season: pl.DataFrame,
) -> pl.DataFrame:
    """Return the measures of site-years (``worked_site_years``): measure, layer, value, error, low, high."""
    values = pl.concat(
        [
            _leads(root_lead),
            _uptake(site_years, drawdown_season),
            _efficiency(water_use_season),
            *_recharge(recharge_winter),
            _capture(capture_season),
        ]
    )
    return values.join(site_years.select(*SITE_YEAR, "practice", "after"), on=SITE_YEAR)


def worked_site_years(
    season: pl.DataFrame, operation: pl.DataFrame, field: pl.DataFrame, comparison: pl.DataFrame
) -> pl.DataFrame:
    """Harvested site-years after an operation, with the working depth and their number, ``after``."""
    depth = (
        operation.filter(pl.col("strip") == "treated")
        .sort("field", "day")
        .select("field", "practice", operation_day="day", operation_depth_cm="depth_cm")
        .unique(["field", "practice", "operation_day"], keep="first", maintain_order=True)
    )
    place = comparison.select(field="name", _place="field")
    return (
        since_operation(season, operation, field)
        .filter(
            pl.col("operation_day").is_not_null()
            & pl.col("practice").is_not_null()
            & pl.col("harvested").is_not_null()
            & ~pl.col("check_worked")
        )
        .join(depth, on=["field", "practice", "operation_day"], how="left")
        .join(place, on="field", how="left", maintain_order="left")
        .with_columns(
            after=pl.struct(pl.coalesce("_place", "field"), "season").n_unique().over("practice")
        )
        .drop("_place")
    )


def _shaped(rows: pl.DataFrame) -> pl.DataFrame:
    """Give all measures the same columns: ``value`` with its ``error``, and ``low`` and ``high``.

    Where there is no value, ``low`` is what it is at least, ``high`` what it is at most.
    """
    absent = [name for name in ("error", "low", "high") if name not in rows.columns]
    number = pl.Float64()
    return rows.with_columns(pl.lit(None, number).alias(name) for name in absent).select(
        *SITE_YEAR,
        "measure",
        "layer",
        pl.col("depth_cm").cast(number),
        *(pl.col(name).cast(number) for name in ("value", "error", "low", "high")),
    )


def _whole(measure: str, rows: pl.DataFrame, value: pl.Expr) -> pl.DataFrame:
    """Return a measure of the whole profile from rows of field and season, where it is known."""
    named = rows.with_columns(
        measure=pl.lit(measure),
        layer=pl.lit(WHOLE_PROFILE),
        depth_cm=pl.lit(None, pl.Float64),
        value=value,
    )
    return _shaped(named.filter(pl.col("value").is_not_null()))


def _leads(root_lead: pl.DataFrame) -> pl.DataFrame:
    """Leads by depth: known from both strips, or bounded by one."""
    both = pl.col("known") == "both"
    low, high = pl.col("lead_low_d"), pl.col("lead_high_d")
    rows = root_lead.select(
        *SITE_YEAR,
        "depth_cm",
        measure=pl.lit("root lead"),
        layer=depth_text(pl.col("depth_cm")),
        value=pl.when(both).then("lead_d"),
        error=pl.when(both).then((high - low) / (2 * Z_90)),
        low=pl.when(pl.col("known") == "treated only").then(low),
        high=pl.when(pl.col("known") == "check only").then(high),
    )
    known = pl.any_horizontal(pl.col(name).is_not_null() for name in ("value", "low", "high"))
    return _shaped(rows.filter(known))


def _uptake(site_years: pl.DataFrame, drawdown_season: pl.DataFrame) -> pl.DataFrame:
    """Uptake from below the working depth."""
    rows = uptake_gains(site_years, drawdown_season).rename({"deep_uptake_error_mm": "error"})
    return _whole("deep uptake", rows, pl.col("deep_uptake_gain_mm"))


def _efficiency(water_use_season: pl.DataFrame) -> pl.DataFrame:
    """Change of water use efficiency, the same in the rows of both strips."""
    ends = pl.col("efficiency_change_high_pct") - pl.col("efficiency_change_low_pct")
    rows = water_use_season.group_by(SITE_YEAR).agg(
        pl.col("efficiency_change_pct").max(), error=ends.max() / (2 * Z_95)
    )
    return _whole("water use efficiency", rows, pl.col("efficiency_change_pct"))


def _recharge(recharge_winter: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Recharge in mm, and as points of percent of rain and snow."""
    rows = recharge_gains(recharge_winter)
    points = 100 * pl.col("recharge_share_gain")
    return (
        _whole("winter recharge", rows, pl.col("recharge_gain_mm")),
        _whole("winter recharge share", rows, points),
    )


def _capture(capture_season: pl.DataFrame) -> pl.DataFrame:
    """Capture in points of percent of the rain."""
    ends = pl.col("capture_gain_high") - pl.col("capture_gain_low")
    rows = capture_gains(capture_season).with_columns(error=100 * ends / (2 * Z_95))
    return _whole("rain capture", rows, 100 * pl.col("capture_gain"))
