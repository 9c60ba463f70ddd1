"""The water content of each layer as its limits are read from it: usable days, no gap bridged."""

from datetime import timedelta

import polars as pl

LAYER = ["probe", "depth_cm", "field", "strip"]


def with_content(
    soil_day: pl.DataFrame, soil_quality_day: pl.DataFrame, soil_offset: pl.DataFrame
) -> pl.DataFrame:
    """Return the rows of ``soil_quality_day`` with ``vwc_pct``, in %: offset applied, null where not usable."""
    sensor = ["probe", "depth_cm"]
    rows = soil_quality_day.join(
        soil_day.select(*sensor, "day", "vwc_mean_pct"), on=[*sensor, "day"], how="left"
    )
    rows = rows.sort("day").join_asof(
        soil_offset.sort("from_day"),
        left_on="day",
        right_on="from_day",
        by=sensor,
        check_sortedness=False,
    )
    holds = (pl.col("day") <= pl.col("to_day")).fill_null(True)
    offset = pl.when(holds).then("offset_pct").fill_null(0.0)
    return rows.with_columns(
        vwc_pct=pl.when("usable").then((pl.col("vwc_mean_pct") + offset).clip(0, 100))
    ).drop("from_day", "to_day", "offset_pct")


def stretches(rows: pl.DataFrame) -> pl.DataFrame:
    """Return rows of layers by day, sorted, with ``stretch`` and ``smooth_pct``.

    A stretch is a layer's days without a gap between rows: a probe that was out of the soil shows no
    wetting when it is set back. ``smooth_pct`` is the median of three days of ``vwc_pct``.
    """
    rows = rows.sort(*LAYER, "day")
    follows = pl.col("day").diff() == timedelta(days=1)
    other = pl.struct(LAYER).rle_id().diff() != 0
    return rows.with_columns(stretch=(other | ~follows).fill_null(True).cum_sum()).with_columns(
        smooth_pct=pl.col("vwc_pct").rolling_median(3, center=True, min_samples=2).over("stretch")
    )
