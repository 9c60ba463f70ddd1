"""Evaporation from the soil of every station-day, apart from the crop's own demand.

Method and source: the dual crop coefficient of Allen et al. 1998, FAO Irrigation and Drainage
Paper 56, chapter 7. The basal coefficient Kcb comes from the single one of
``evapotranspiration_day``, so that both have the same stages: by the straight line through the
initial and the mid-season values of Tables 12 and 17 for field crops (0.30 and 0.15; 1.15 and
1.10); without a crop it is nil. The evaporation coefficient is Ke = min(Kr (Kc max - Kcb),
few Kc max) (Eq 71), with Kc max the larger of 1.2 and Kcb + 0.05 (Eq 72 without its correction for
climate), ground cover from Eq 76 for a crop of ``HEIGHT_M``, few (Eq 75) and Kr (Eq 74) from the
depletion of the evaporation layer, carried from day to day (Eq 77; rain and irrigation early in the
day, the whole surface wetted, run-off none, what is more than the layer lacks goes down), with the
water that roots take from that layer as in Allen and others 2005 (Journal of Irrigation and Drainage
Engineering 131, 2-13).

By Eq 74 evaporation ends with the water of that layer, within ten dry days. Measured soils go on by
what rises from below, with the square root of time (Ritchie 1972, Water Resources Research 8,
1204-1213): E2 = a sqrt(t), so that a day on which E2 has come to S adds sqrt(S^2 + a^2) - S. The
larger of the two is taken, within the energy that Eq 71 leaves. S is what the second stage has
evaporated so far, at least what the layer lacks beyond its readily evaporable water (roots dry it
too); rain and irrigation make it good first.

Total and readily evaporable water: Eq 73 for a layer of 0.10 m and Table 19, the middle of the texture's
range; clay where the field's texture is not known. Tables 12 and 19 (water contents) read; Table 17,
Table 19 (readily evaporable water), the equations and the papers of 1972 and 2005 from memory.

A day without rain on record counts as dry (so does an irrigation of unknown depth), and so does what
was not recorded of a day; one without reference evapotranspiration counts as still. The reason says
so. The layer starts half empty, which the first rains make good. Irrigation is that of the strip that
the station is in; a strip without a station is taken to evaporate like the other one.
"""

import math

import numpy as np
import polars as pl
from numpy.typing import NDArray

from schemas import generated
from schemas.tables.weather.evaporation_day import TABLE
from transforms.methods import calendar_day, texture
from transforms.methods.comparisons import each_strip
from transforms.methods.irrigation import with_irrigation
from transforms.methods.texts import joined

Array = NDArray[np.float64]

CLAY = texture.TEXTURES["clay"]
LAYER_M = 0.10
# What a drying soil brings to its surface, mm a square root of a day: 3.3 to 4.1 in the four soils of
# Ritchie 1972, 3.5 in his clay (from memory).
SORPTIVITY_MM = 3.5
# Share of the crop's demand that it takes from the evaporation layer while that is wet:
# (depth of the layer / depth of the roots) ^ 0.6, roots taken as half a meter deep.
ROOTS_TAKE = (LAYER_M / 0.5) ** 0.6
HEIGHT_M = 0.5
KC_MAX, KC_MIN = 1.2, 0.15
KCB_INI, KC_INI = 0.15, 0.30
KCB_MID, KC_MID = 1.10, 1.15


def derive(
    evapotranspiration_day: pl.DataFrame,
    rain_day: pl.DataFrame,
    irrigation_day: pl.DataFrame,
    field: pl.DataFrame,
    comparison: pl.DataFrame,
) -> pl.DataFrame:
    """One row a station and day of ``evapotranspiration_day``. Water in mm."""
    rows = (
        evapotranspiration_day.join(
            rain_day.select("station", "day", "rain_mm", "rain_coverage", "bridged"),
            on=["station", "day"],
            how="left",
        )
        .join(field.select("field", "soil_texture"), on="field", how="left")
        .pipe(_with_irrigation, irrigation_day, comparison)
        .sort("station", "day")
    )
    frames = [_station(group) for _, group in rows.group_by("station", maintain_order=True)]
    if not frames:
        return generated.empty(TABLE)
    return generated.conform(_with_reason(pl.concat(frames)).select(TABLE.names), TABLE).sort(
        TABLE.key
    )


def _with_irrigation(
    rows: pl.DataFrame, irrigation_day: pl.DataFrame, comparison: pl.DataFrame
) -> pl.DataFrame:
    """Add the irrigation of the strip that a station is in; of none, the mean of the field's."""
    on_field = rows.filter(pl.col("strip").is_null()).select("field", "day").unique()
    means = (
        with_irrigation(each_strip(on_field, comparison), irrigation_day)
        .group_by("field", "day")
        .agg(mean_mm=pl.when(pl.col("irrigation_known").all()).then(pl.col("irrigation_mm").mean()))
    )
    return (
        with_irrigation(rows, irrigation_day)
        .join(means, on=["field", "day"], how="left", maintain_order="left")
        .with_columns(
            irrigation_mm=pl.when(pl.col("strip").is_null() & pl.col("field").is_not_null())
            .then("mean_mm")
            .otherwise("irrigation_mm")
        )
        .drop("mean_mm", "irrigation_known", "wetted_mm")
    )


def basal(single: pl.Expr) -> pl.Expr:
    """Basal coefficient that belongs to a single one."""
    steep = (KCB_MID - KCB_INI) / (KC_MID - KC_INI)
    return (KCB_INI + steep * (single - KC_INI)).clip(KCB_INI, None)


def _station(rows: pl.DataFrame) -> pl.DataFrame:
    """The depletion of one station's evaporation layer, carried from day to day."""
    capacity, wilting, ready = _soil(rows["soil_texture"].drop_nulls().to_list())
    total = 1000 * (capacity - 0.5 * wilting) * LAYER_M
    rows = rows.with_columns(
        basal_coefficient=pl.when(pl.col("season").is_null())
        .then(pl.when(pl.col("crop_coefficient").is_not_null()).then(0.0))
        .otherwise(basal(pl.col("crop_coefficient")))
    )
    asked = (
        rows.select(
            pl.when(pl.col("basal_coefficient").is_not_null())
            .then("reference_et_mm")
            .fill_null(0.0)
        )
        .to_series()
        .to_numpy()
    )
    kcb = rows["basal_coefficient"].fill_null(0.0).to_numpy()
    water = (rows["rain_mm"].fill_null(0.0) + rows["irrigation_mm"].fill_null(0.0)).to_numpy()
    most = np.maximum(KC_MAX, kcb + 0.05)
    over = np.clip(kcb - KC_MIN, 0.0, None) / (most - KC_MIN)
    bare = 1 - np.minimum(over ** (1 + 0.5 * HEIGHT_M), 0.99)
    coefficient, shallow, depletion = (np.zeros(len(kcb)) for _ in range(3))
    lacks, below = total / 2, 0.0
    for i in range(len(kcb)):
        lacks, below = max(lacks - water[i], 0.0), max(below - water[i], 0.0)
        energy = min(most[i] - kcb[i], bare[i] * most[i])
        wet = min((total - lacks) / (total - ready), 1.0)
        layer = min(wet * (most[i] - kcb[i]), bare[i] * most[i])
        risen = (math.hypot(below, SORPTIVITY_MM) - below) / asked[i] if asked[i] > 0 else 0.0
        coefficient[i] = max(layer, min(risen, energy)) if lacks > ready else layer
        shallow[i] = layer
        roots = ROOTS_TAKE * (1 - lacks / total) * kcb[i]
        below += max(coefficient[i] * asked[i] - max(ready - lacks, 0.0), 0.0)
        lacks = min(lacks + (coefficient[i] / bare[i] + roots) * asked[i], total)
        below = max(below, lacks - ready) if lacks > ready else 0.0
        depletion[i] = lacks
    known = pl.col("reference_et_mm").is_not_null() & pl.col("basal_coefficient").is_not_null()
    return rows.with_columns(
        evaporation_coefficient=pl.Series(coefficient), surface_depletion_mm=pl.Series(depletion)
    ).with_columns(
        evaporation_coefficient=pl.when(known).then("evaporation_coefficient"),
        soil_evaporation_mm=pl.when(known).then(
            pl.col("evaporation_coefficient") * pl.col("reference_et_mm")
        ),
        layer_evaporation_mm=pl.when(known).then(pl.Series(shallow) * pl.col("reference_et_mm")),
        basal_et_mm=pl.when(known).then(pl.col("basal_coefficient") * pl.col("reference_et_mm")),
    )


def _soil(textures: list[str]) -> tuple[float, float, float]:
    """Water contents and readily evaporable water of the texture named last, else of clay."""
    return texture.TEXTURES.get(texture.named(textures[-1]) if textures else "clay", CLAY)


def _with_reason(rows: pl.DataFrame) -> pl.DataFrame:
    """Add coverage, ``partial`` and the reasons."""
    c = pl.col
    no_demand = c("reference_et_mm").is_null()
    covered = ~no_demand & c("basal_coefficient").is_null()
    dry, unknown = c("rain_mm").is_null(), c("irrigation_mm").is_null()
    rain = pl.when(c("bridged")).then(1.0).otherwise("rain_coverage").fill_null(0.0)
    part = ~dry & (rain < calendar_day.WHOLE)
    demand = pl.when(no_demand).then(0.0).otherwise(c("coverage").fill_null(0.0))
    return rows.with_columns(
        coverage=(demand + pl.when(dry).then(0.0).otherwise(rain)).clip(0.0, 2.0) / 2,
        partial=c("partial") | no_demand | covered | dry | unknown | part,
        reason=joined(
            pl.when(no_demand).then(pl.lit("no reference evapotranspiration that day")),
            pl.when(covered).then(
                pl.lit("no crop coefficient holds that day (snow, or none given)")
            ),
            pl.when(dry).then(pl.lit("no rain record that day: taken as dry")),
            pl.when(unknown).then(pl.lit("irrigation not known that day: taken as none")),
            pl.when(part).then(
                pl.format(
                    "rain was recorded for {}% of the day: the rest is taken as dry",
                    (100 * rain).floor().cast(pl.Int64),
                )
            ),
            pl.when(~no_demand).then("reason"),
        ),
    )
