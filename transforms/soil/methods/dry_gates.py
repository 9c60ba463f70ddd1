"""Where a profile lets nothing through, and where water may rise: what the layers say of a day.

Water passes a layer at more than a trickle only while the layer is about at its drained upper limit:
that limit is where drainage has all but ceased. So a layer that lies clearly below it is a gate that is
closed, and what leaves the profile downwards then can only come from the layers beneath the gate: no
more than these fall. Where a layer's limit is only the highest value seen, the layer may be full a
little below it, so it must lie further below.

Upwards water can move where the soil above has dried and the deepest layer has not: then the suction
above draws, and a wet subsoil can deliver. A deepest layer that is drier than field capacity
(330 cm of suction) has no water table near enough to bring more than a trickle, so it is excluded where
the texture is known (``TEXTURES`` of FAO Irrigation and Drainage Paper 56, Table 19).

What a probe cannot tell: whether a layer that does not change all season near its highest value is
stably full and passes on whatever comes, or was never reached. Then no gate is taken there.
"""

from collections.abc import Callable

import polars as pl

from transforms.methods import texture
from transforms.soil.methods.season_balance import STRIP

LAYER = [*STRIP, "depth_cm"]
# Below the drained upper limit by so much a layer is closed: where the limit was seen or given, and where
# it is only the highest value seen, % by volume. Set on simulated soils, by the worst of several physics.
CLOSED_PCT, CLOSED_BELOW_HIGHEST_PCT = 2.0, 3.0
LIKELY_PCT = 1.0  # nearer to its limit by so much a layer is likely closed, though not surely
SMOOTH_D = 5  # days: by the wettest a gate is surely closed, all else goes by their median
FALLEN_PCT = 0.5  # below its limit; at its limit a layer draws nothing from beneath
DRIER_PCT = 2.0  # than field capacity: the table's spread and an uncalibrated sensor's error
THICK_MM = 10.0 * (pl.col("layer_bottom_cm") - pl.col("layer_top_cm"))


def gates(layers: pl.DataFrame, field: pl.DataFrame) -> pl.DataFrame:
    """Return by strip and day what the used layers say.

    ``layers``: rows of ``season_balance.season_layers``; ``field``: the table of fields, for the texture.
    Returned: ``STRIP``, ``day``, ``gated`` (some layer is closed), ``likely_gated`` (or nearly so),
    ``closed`` (the deepest is), ``beneath_mm``: what the layers beneath the deepest gate fell since the
    day before, ``rises``: water may rise into the profile. Gaps in a straight line; null where no layer
    has a limit.
    """
    c = pl.col
    deepest = c("depth_cm") == c("depth_cm").max().over(STRIP)
    rows = (
        layers.filter("used")
        .join(_capacity(field), on="field", how="left")
        .with_columns(held_mm=c("storage_mm").interpolate().over(LAYER, order_by="day"))
        .with_columns(
            fall_mm=(c("held_mm").shift(1) - c("held_mm"))
            .over(LAYER, order_by="day")
            .fill_null(0.0),
            pct=_around(pl.Expr.rolling_median),
            wettest_pct=_around(pl.Expr.rolling_max),
            limit_pct=c("upper_limit_mm") / THICK_MM * 100,
            margin=pl.when("drained").then(CLOSED_PCT).otherwise(CLOSED_BELOW_HIGHEST_PCT),
            deepest=deepest,
        )
        .with_columns(
            closed=c("wettest_pct") < c("limit_pct") - c("margin"),
            likely=c("pct") < c("limit_pct") - c("margin") + LIKELY_PCT,
        )
    )
    day = [*STRIP, "day"]
    gate_cm = c("depth_cm").filter(c("closed").fill_null(False)).max()
    below = c("pct") < c("limit_pct") - FALLEN_PCT
    wet = c("pct") >= c("capacity_pct").fill_null(0.0) - DRIER_PCT
    return (
        rows.with_columns(gate_cm=gate_cm.over(day))
        .group_by(day)
        .agg(
            gated=c("closed").any(),
            likely_gated=c("likely").any(),
            closed=c("closed").filter("deepest").first(),
            beneath_mm=c("fall_mm").filter(c("depth_cm") > c("gate_cm")).sum(),
            rises=c("closed").any() & (~c("closed") & wet & below).filter("deepest").first(),
        )
        .sort(day)
    )


def _around(rolling: Callable[..., pl.Expr]) -> pl.Expr:
    """Water content of the days around each, % by volume, brought down to one value."""
    pct = pl.col("held_mm") / THICK_MM * 100
    return rolling(pct, SMOOTH_D, center=True, min_samples=1).over(LAYER, order_by="day")


def _capacity(field: pl.DataFrame) -> pl.DataFrame:
    """Field capacity by field, % by volume; null where the texture is not known."""
    by_name = {name: 100 * one[0] for name, one in texture.TEXTURES.items()}
    name = pl.col("soil_texture").str.strip_chars().str.to_lowercase()
    return field.select(
        "field",
        capacity_pct=name.replace_strict(by_name, default=None, return_dtype=pl.Float64()),
    ).unique("field")
