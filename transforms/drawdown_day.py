"""Water taken up from each layer, day by day.

Balance method (the fallback, for records that come once a day): the uptake of a day is the fall
in the layer's storage since the day before, on days on which nothing else moves water: no rain on
the day or the day before, the layer not above its full point (what falls then is drainage), the
soil not frozen, the sensor usable. On other days the uptake cannot be told and is null with the
reason; zero stands only where it was measured. This is the single-step water balance of Guderle
and Hildebrandt 2015 (Hydrology and Earth System Sciences 19, 409-425,
doi:10.5194/hess-19-409-2015); it takes redistribution within the profile for uptake, which after
the drained upper limit is small.

Single days are kept with their noise, a little below zero where noise has it so: cutting them at
zero would turn noise into uptake when days are summed.
"""

from __future__ import annotations

import polars as pl

from schemas import made
from schemas.catalogue import TABLES
from transforms.crop_days import with_season
from transforms.strip_rain import strip_rain

TABLE = TABLES["drawdown_day"]

RAIN_MM = 1.0  # less wets the canopy and dries again
GAIN_PCT = 0.3  # a rise by more than noise: water came in
ABOVE_FULL_PCT = 0.5  # so far above the full point a layer still drains

SENSOR = ["probe", "depth_cm"]


def derive(
    soil_water_day: pl.DataFrame, weather_day: pl.DataFrame, season: pl.DataFrame
) -> pl.DataFrame:
    """One row a layer and day of a probe that stands on trial. Water in mm a day."""
    rows = (
        soil_water_day.filter(pl.col("field").is_not_null() & pl.col("strip").is_not_null())
        .join(strip_rain(weather_day), on=["field", "strip", "day"], how="left")
        .sort(*SENSOR, "day")
    )
    rows = _balance(rows)
    both = pl.col("strip").filter(pl.col("uptake_mm").is_not_null()).n_unique() == 2
    rows = with_season(rows, season).with_columns(
        layer_thickness_cm=pl.col("layer_bottom_cm") - pl.col("layer_top_cm"),
        both_strips=both.over("field", "depth_cm", "day"),
        partial=pl.col("uptake_mm").is_null() | pl.col("rain_mm").is_null() | pl.col("partial"),
    )
    return made.conform(rows.select(set(TABLE.names) & set(rows.columns)), TABLE).sort(TABLE.key)


def _balance(rows: pl.DataFrame) -> pl.DataFrame:
    """Uptake as the fall in storage on days on which nothing else moves water."""

    def before(expr: pl.Expr) -> pl.Expr:
        return expr.shift(1).over(*SENSOR, "field", "strip", order_by="day")

    consecutive = (pl.col("day") - before(pl.col("day"))).dt.total_days() == 1
    fall = pl.when(consecutive).then(before(pl.col("storage_mm")) - pl.col("storage_mm"))
    rows = rows.with_columns(
        fall_mm=fall,
        rain_before=before(pl.col("rain_mm")),
        above=pl.col("vwc_pct") - pl.col("full_point_pct"),
        above_before=before(pl.col("vwc_pct") - pl.col("full_point_pct")),
    )
    thickness_mm = (pl.col("layer_bottom_cm") - pl.col("layer_top_cm")) * 10
    rain = pl.max_horizontal("rain_mm", "rain_before").fill_null(0.0) >= RAIN_MM
    full = pl.max_horizontal("above", "above_before").fill_null(0.0) > ABOVE_FULL_PCT
    gained = pl.col("fall_mm") < -GAIN_PCT / 100 * thickness_mm
    known = pl.col("fall_mm").is_not_null()
    clear = known & ~rain & ~full & ~gained
    why = (
        pl.when(pl.col("storage_mm").is_null())
        .then(pl.col("reason"))
        .when(~known)
        .then(pl.lit("no storage the day before"))
        .when(rain)
        .then(pl.lit("rain on the day or the day before"))
        .when(full)
        .then(pl.lit("above the full point: drainage cannot be told from uptake"))
        .when(gained)
        .then(pl.lit("the layer gained water"))
        .when(pl.col("rain_mm").is_null())
        .then(pl.lit("rain not known that day"))
        .otherwise("reason")
    )
    return rows.with_columns(
        uptake_mm=pl.when(clear).then("fall_mm"),
        method=pl.when(clear).then(pl.lit("balance")),
        reason=why,
    )
