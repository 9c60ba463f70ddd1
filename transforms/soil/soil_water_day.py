"""Water in each layer of the soil, day by day.

Storage (mm) = mean volumetric water content (%) / 100 x thickness (mm), the layers as in
``soil_layers``: midpoints between sensors, first from the surface, last as far below its sensor
as its top is above it. A sensor that is dead, frozen or unusable that day gives no storage: the
row stands with the reason, never with zero.

``range_share`` = (water content - dry point) / (full point - dry point): 0 at the dry point, 1 at
the full point, more while the layer still drains. The points are the user's where the sensor has
them, else the record's own (``soil_points``), and the row says which and how many wettings stand
behind the full point. They are of the whole record so far, so an early day's share may move a
little as the record grows.
"""

from __future__ import annotations

import polars as pl

from schemas import generated
from schemas.tables.soil.soil_water_day import TABLE
from transforms.methods.texts import joined
from transforms.soil.methods.soil_layers import with_layers
from transforms.soil.methods.soil_points import LAYER, LEAST_RANGE_PCT, points


def derive(
    soil_day: pl.DataFrame, soil_quality_day: pl.DataFrame, sensor: pl.DataFrame
) -> pl.DataFrame:
    """One row a layer and day of the probe's record. Depths in cm, water in % and mm."""
    rows = soil_quality_day.join(
        soil_day.select("probe", "depth_cm", "day", "vwc_mean_pct"),
        on=["probe", "depth_cm", "day"],
        how="left",
    ).with_columns(
        vwc_pct=pl.when(pl.col("usable")).then(
            (pl.col("vwc_mean_pct") + pl.col("offset_pct").fill_null(0.0)).clip(0, 100)
        )
    )
    rows = _with_points(with_layers(rows, ["probe", "day"]), sensor)
    thickness_mm = (pl.col("layer_bottom_cm") - pl.col("layer_top_cm")) * 10
    width = pl.col("full_point_pct") - pl.col("dry_point_pct")
    rows = rows.with_columns(
        storage_mm=pl.col("vwc_pct") / 100 * thickness_mm,
        range_share=pl.when(width >= LEAST_RANGE_PCT).then(
            ((pl.col("vwc_pct") - pl.col("dry_point_pct")) / width).clip(-10, 10)
        ),
    )
    no_range = pl.col("range_share").is_null() & pl.col("vwc_pct").is_not_null()
    rows = rows.with_columns(
        partial=pl.col("partial") | no_range,
        reason=joined(
            "reason",
            pl.when(no_range).then(
                pl.lit("the record has not yet seen this layer both full and dry")
            ),
        ),
    )
    return generated.conform(rows.select(TABLE.names), TABLE).sort(TABLE.key)


def _with_points(rows: pl.DataFrame, sensor: pl.DataFrame) -> pl.DataFrame:
    """Full and dry point of each row's layer: the user's, else the record's."""
    given = sensor.select(
        "probe", "depth_cm", given_full="full_point_pct", given_dry="dry_point_pct"
    )
    return (
        rows.join(points(rows), on=LAYER, how="left")
        .join(given, on=["probe", "depth_cm"], how="left")
        .with_columns(
            full_point_pct=pl.coalesce("given_full", "full_point_pct"),
            dry_point_pct=pl.coalesce("given_dry", "dry_point_pct"),
            full_point_from=pl.when(pl.col("given_full").is_not_null())
            .then(pl.lit("given"))
            .otherwise("full_point_from"),
            dry_point_from=pl.when(pl.col("given_dry").is_not_null())
            .then(pl.lit("given"))
            .otherwise("dry_point_from"),
        )
    )
