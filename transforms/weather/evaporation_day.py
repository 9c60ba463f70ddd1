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
so. The layer starts half empty, which the first rains make good: at a station's first day, and for the
days of each calendar year at the beginning of the year before, so that no row hangs on older ones.
Irrigation is that of the strip that the station is in; a strip without a station is taken to evaporate
like the other one.
"""

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

# Each calendar year is carried on from the beginning of the year before.
PART = "all year"
MARGIN_MONTHS = (12, 0)
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
    if rows.is_empty():
        return generated.empty(TABLE)
    return generated.conform(_with_reason(_carried(_with_needs(rows))).select(TABLE.names), TABLE)


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


def _with_needs(rows: pl.DataFrame) -> pl.DataFrame:
    """Add what each day asks of the evaporation layer and brings to it, and what the layer holds."""
    single = pl.col("crop_coefficient")
    bare_ground = pl.when(single.is_not_null()).then(0.0)
    kcb = pl.when(pl.col("season").is_null()).then(bare_ground).otherwise(basal(single))
    named = rows["soil_texture"].unique().to_list()
    total, ready = ({name: _layer(name)[n] for name in named} for n in (0, 1))
    soil = pl.col("soil_texture")
    return rows.with_columns(
        basal_coefficient=kcb,
        asked=pl.when(kcb.is_not_null()).then("reference_et_mm").fill_null(0.0),
        kcb=kcb.fill_null(0.0),
        water=pl.sum_horizontal("rain_mm", "irrigation_mm"),
        total=soil.replace_strict(total, return_dtype=pl.Float64),
        ready=soil.replace_strict(ready, return_dtype=pl.Float64),
        year=pl.col("day").dt.year(),
    )


def _layer(soil_texture: str | None) -> tuple[float, float]:
    """Total and readily evaporable water of the layer, mm; of clay if the texture is not known."""
    named = texture.named(soil_texture) if soil_texture else "clay"
    capacity, wilting, ready = texture.TEXTURES.get(named, CLAY)
    return 1000 * (capacity - 0.5 * wilting) * LAYER_M, ready


def _carried(rows: pl.DataFrame) -> pl.DataFrame:
    """Add what the layer gives and lacks, carried from day to day, all stations and years side by side."""
    run = ["station", "of_year"]
    years = [rows.with_columns(of_year=pl.col("year") + later) for later in (0, 1)]
    known = rows.select("station", of_year="year").unique()
    steps = (
        pl.concat(years)
        .join(known, on=run, how="semi")
        .sort(*run, "day")
        .with_columns(run=pl.struct(run).rle_id(), n=pl.int_range(pl.len()).over(run))
    )
    at = steps["n"].to_numpy(), steps["run"].to_numpy()

    def side_by_side(name: str) -> Array:
        # Runs shorter than the longest end with days of no soil in particular.
        laid = np.full((at[0].max() + 1, at[1].max() + 1), float(name == "total"))
        laid[at] = steps[name].to_numpy()
        return laid

    needs = (side_by_side(name) for name in ("asked", "kcb", "water", "total", "ready"))
    coefficient, shallow, depletion = (laid[at] for laid in _day_by_day(*needs))
    known_both = pl.col("reference_et_mm").is_not_null() & pl.col("basal_coefficient").is_not_null()
    et = pl.when(known_both).then("reference_et_mm")
    return (
        steps.with_columns(
            evaporation_coefficient=pl.when(known_both).then(pl.Series(coefficient)),
            surface_depletion_mm=pl.Series(depletion),
            layer_evaporation_mm=pl.Series(shallow) * et,
            basal_et_mm=pl.col("basal_coefficient") * et,
        )
        .with_columns(soil_evaporation_mm=pl.col("evaporation_coefficient") * et)
        .filter(pl.col("of_year") == pl.col("year"))
        .sort("station", "day")
    )


def _day_by_day(
    asked: Array, kcb: Array, water: Array, total: Array, ready: Array
) -> tuple[Array, Array, Array]:
    """Return the coefficient, that of the layer alone and the depletion; days by runs, in mm."""
    most = np.maximum(KC_MAX, kcb + 0.05)
    over = np.clip(kcb - KC_MIN, 0.0, None) / (most - KC_MIN)
    bare = 1 - np.minimum(over ** (1 + 0.5 * HEIGHT_M), 0.99)
    energy = np.minimum(most - kcb, bare * most)
    coefficient, shallow, depletion = (np.zeros_like(kcb) for _ in range(3))
    lacks, below = total[0] / 2, np.zeros_like(total[0])
    for i in range(len(kcb)):
        lacks = np.clip(lacks - water[i], 0.0, total[i])
        below = np.maximum(below - water[i], 0.0)
        wet = np.minimum((total[i] - lacks) / (total[i] - ready[i]), 1.0)
        shallow[i] = np.minimum(wet * (most[i] - kcb[i]), bare[i] * most[i])
        asks = asked[i] > 0
        rises = np.sqrt(below**2 + SORPTIVITY_MM**2) - below
        risen = np.divide(rises, asked[i], out=np.zeros_like(rises), where=asks)
        second = np.maximum(shallow[i], np.minimum(risen, energy[i]))
        coefficient[i] = np.where(lacks > ready[i], second, shallow[i])
        roots = ROOTS_TAKE * (1 - lacks / total[i]) * kcb[i]
        below += np.maximum(coefficient[i] * asked[i] - np.maximum(ready[i] - lacks, 0.0), 0.0)
        lacks = np.minimum(lacks + (coefficient[i] / bare[i] + roots) * asked[i], total[i])
        below = np.where(lacks > ready[i], np.maximum(below, lacks - ready[i]), 0.0)
        depletion[i] = lacks
    return coefficient, shallow, depletion


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
