"""Water in each layer of the soil, day by day.

Storage (mm) = mean volumetric water content (%) / 100 x thickness (mm), the layers as in
``soil_layers``: midpoints between sensors, first from the surface, last as far below its sensor
as its top is above it. A sensor that is dead, frozen or unusable that day gives no storage: the
row stands with the reason, never with zero.

``available_water_share`` = (water content - lower limit) / (drained upper limit - lower limit): 0
at the lower limit, 1 at the drained upper limit, more while the layer still drains. The limits
are those of ``soil_limit``, of the whole record so far, so an early day's share may move a little
as the record grows.
"""

import polars as pl

from schemas import generated
from schemas.tables.soil.soil_water_day import TABLE
from transforms.methods.texts import joined
from transforms.soil.methods.layer_record import LAYER, with_content
from transforms.soil.methods.soil_layers import with_layers

PART = "probe year"

LEAST_RANGE_PCT = 2.0  # upper minus lower limit below which no share of the range is given


def derive(
    soil_day: pl.DataFrame,
    soil_quality_day: pl.DataFrame,
    soil_offset: pl.DataFrame,
    soil_limit: pl.DataFrame,
) -> pl.DataFrame:
    """One row a layer and day of the probe's record. Depths in cm, water in % and mm."""
    rows = with_layers(with_content(soil_day, soil_quality_day, soil_offset), ["probe", "day"])
    rows = rows.join(soil_limit.drop("partial", "reason"), on=LAYER, how="left")
    thickness_mm = (pl.col("layer_bottom_cm") - pl.col("layer_top_cm")) * 10
    width = pl.col("drained_upper_limit_pct") - pl.col("lower_limit_pct")
    rows = rows.with_columns(
        storage_mm=pl.col("vwc_pct") / 100 * thickness_mm,
        available_water_share=pl.when(width >= LEAST_RANGE_PCT).then(
            ((pl.col("vwc_pct") - pl.col("lower_limit_pct")) / width).clip(-10, 10)
        ),
    )
    no_range = pl.col("available_water_share").is_null() & pl.col("vwc_pct").is_not_null()
    rows = rows.with_columns(
        partial=pl.col("partial") | no_range,
        reason=joined(
            "reason",
            pl.when(no_range).then(
                pl.lit(
                    "the record has not yet seen this layer both at its drained upper limit and dry"
                )
            ),
        ),
    )
    return generated.conform(rows.select(TABLE.names), TABLE).sort(TABLE.key)
