"""The season's water use and water use efficiency by strip, and the change of treated over check.

Water use = rain + irrigation + storage at the start - storage at the end - drainage, over the same days and
depths in both strips (window, layers and rain: ``season_balance``). Run-off was not
measured; it is in the use, of both strips. Efficiency = yield at market moisture / water use.
Where no yield is in, the balance stands alone; where rain was recorded on less than
``LEAST_KNOWN`` of the days, or irrigation is known on less, there is no water use; where the window
is not the whole season, the efficiency is still yield over the use of the window, and the row says
that it looks too high.

Errors. Of the storage used: the day-to-day noise of the profile, from the second differences of
its rainless days (median absolute deviation, variance 6 s2 for independent values), twice, and of
the change itself for a calibration that is not the soil's own: ``SOIL_SLOPE_ERROR``, alike in all
sensors because the soil is, and ``SENSOR_SLOPE_ERROR`` of each layer's change and ``STRAYS_PCT`` of its
thickness, which average out over the sensors. Of drainage: ``drainage``. Of rain: ``GAUGE_ERROR`` of
the sum, as for one gauge. Of irrigation: ``APPLIED_ERROR`` of the sum. Of the yield: its standard error. They are taken
as independent and carried through the quotient on the log scale (delta method), so that an interval
never passes below zero.

The change is treated over check on that scale. What is wrong in both strips alike leaves the ratio,
but for what the strips differ in: the soil's slope acts on the storage used, and the gauges, where
both strips have one rain, on the rain; the soil that drains is alike too, but where the estimates of drainage
differ between the strips that difference may be all wrong (one was told from a layer that the other's record
does not show). Irrigation is one water
where its sum is the same in both strips, else two. Each counts as a share of the water use. Not in
the errors: that one probe may not speak for its strip, and what roots take from below its deepest
layer. An efficiency without an error of yield has no interval.

Source of the balance: French and Schultz 1984, Australian Journal of Agricultural Research 35:743,
doi 10.1071/AR9840743 (rain + change of soil water, drainage and run-off named as neglected there).
"""

import polars as pl

from schemas import generated
from schemas.tables.soil.water_use_season import TABLE
from transforms.methods.normal_range import Z_95
from transforms.methods.strips import STRIPS, in_strip
from transforms.methods.texts import depth_text, joined
from transforms.soil.methods import drainage, dry_gates, season_balance, strip_storage
from transforms.soil.methods.season_balance import SEASON, STRIP

# Whether a layer was wetted is asked of the year before seeding (``season_balance``).
PART = "field season"
MARGIN_MONTHS = (12, 0)
# Shares by which an uncalibrated dielectric probe may misjudge a change: by the soil (clay, salts),
# which all sensors of a field share, and by each sensor; 0.1 together. Common practice, no source.
SOIL_SLOPE_ERROR, SENSOR_SLOPE_ERROR = 0.09, 0.04
# What a sensor strays by within a season, % by volume: drift, temperature, soil settling about it.
# Common practice, no source; set on simulated seasons of several physics.
STRAYS_PCT = 0.6
# Standard error of a gauge's catch: the 5 % that the WMO asks of daily precipitation (Guide to
# Instruments and Methods of Observation, WMO-No. 8, annex of chapter 1; from memory).
GAUGE_ERROR = 0.05
# Standard error of the depth applied, as of a gauge's catch. Common practice, no source.
APPLIED_ERROR = 0.05
# Days by which the window may miss seeding or harvest and still be the season.
NEAR_D = 3
LEAST_NOISE_DAYS = 10
# Share of the window's days with a rain record below which there is no water use; and with
# evapotranspiration below which there is no sum of it. Common practice, no source.
LEAST_KNOWN = 0.9
# No crop was grown on less: the quotient would only magnify errors. Common practice, no source.
LEAST_USE_MM = 25.0
ONE_RAIN_MM = 0.01  # sums that differ by less are of one rain


def derive(
    *,
    season: pl.DataFrame,
    soil_water_day: pl.DataFrame,
    soil_day: pl.DataFrame,
    rain_day: pl.DataFrame,
    irrigation_day: pl.DataFrame,
    evapotranspiration_day: pl.DataFrame,
    evaporation_day: pl.DataFrame,
    strip_yield: pl.DataFrame,
    probe_spell: pl.DataFrame,
    field: pl.DataFrame,
    farm: pl.DataFrame,
) -> pl.DataFrame:
    """One row a field, season and strip."""
    if season.is_empty():
        return generated.empty(TABLE)
    storage = strip_storage.layers(soil_water_day, soil_day, farm)
    layers = season_balance.season_layers(storage, season)
    profile = season_balance.profiles(layers)
    day = season_balance.daily(
        profile,
        rain_day=rain_day,
        irrigation_day=irrigation_day,
        evapotranspiration_day=evapotranspiration_day,
        evaporation_day=evaporation_day,
        farm=farm,
    ).join(dry_gates.gates(layers, field), on=[*STRIP, "day"], how="left")
    rows = (
        season.select(*SEASON, "crop", "seeded", "harvested")
        .join(STRIPS, how="cross")
        .join(_sums(day), on=STRIP, how="left")
        .join(_sensor_errors(layers, day), on=STRIP, how="left")
        .join(drainage.estimate(day), on=STRIP, how="left")
        .join(_depths(layers), on=STRIP, how="left")
        .join(_reset(day, probe_spell), on=STRIP, how="left")
        .join(_yields(strip_yield), on=STRIP, how="left")
    )
    rows = _with_change(_with_efficiency(_with_use(rows)))
    return generated.conform(_with_reason(rows).select(TABLE.names), TABLE).sort(TABLE.key)


def _sums(day: pl.DataFrame) -> pl.DataFrame:
    """Window, rain, storage at both ends, demand and the profile's noise."""
    after = ~pl.col("first")
    filled = pl.col("filled_mm")
    bend = (filled.shift(-1) - 2 * filled + filled.shift(1)).over(STRIP)
    came = pl.col("rain_mm") + pl.when("irrigation_known").then("irrigation_mm")
    still = (came == 0) & (came.shift(-1).over(STRIP) == 0)
    real = pl.all_horizontal(
        pl.col("storage_mm").shift(n).over(STRIP).is_not_null() for n in (-1, 0, 1)
    )
    calm = pl.col("bend").filter(pl.col("calm"))
    return (
        day.with_columns(bend=bend, calm=still & real)
        .group_by(STRIP)
        .agg(
            pl.col("from_day", "to_day").first(),
            days=after.sum().cast(pl.Int64),
            storage_d=(after & pl.col("storage_mm").is_not_null()).sum().cast(pl.Int64),
            rain_mm=pl.col("rain_mm").filter(after).sum(),
            rain_coverage=pl.col("known").filter(after).mean(),
            irrigation_mm=pl.col("irrigation_mm").filter(after).sum(),
            irrigation_coverage=pl.col("irrigation_known").filter(after).mean(),
            storage_start_mm=pl.col("filled_mm").sort_by("day").first(),
            storage_end_mm=pl.col("filled_mm").sort_by("day").last(),
            crop_et_mm=pl.when(pl.col("demanded").filter(after).mean() >= LEAST_KNOWN).then(
                pl.col("et_mm").filter(after).sum()
            ),
            noise_mm=pl.when(calm.count() >= LEAST_NOISE_DAYS)
            .then(1.4826 * (calm - calm.median()).abs().median() / 6**0.5)
            .otherwise(0.0),
        )
    )


def _sensor_errors(layers: pl.DataFrame, day: pl.DataFrame) -> pl.DataFrame:
    """``sensors_se_mm``: what the sensors' own slopes leave in the storage used of the window."""
    window = day.group_by(STRIP).agg(pl.col("from_day", "to_day").first())
    ends = (
        layers.filter("used")
        .join(window, on=STRIP)
        .filter((pl.col("day") == pl.col("from_day")) | (pl.col("day") == pl.col("to_day")))
        .sort("day")
        .group_by(*STRIP, "depth_cm")
        .agg(
            used_mm=pl.col("storage_mm").first() - pl.col("storage_mm").last(),
            thick_mm=10 * (pl.col("layer_bottom_cm") - pl.col("layer_top_cm")).first(),
        )
    )
    slope, strays = SENSOR_SLOPE_ERROR * pl.col("used_mm"), STRAYS_PCT / 100 * pl.col("thick_mm")
    return ends.group_by(STRIP).agg(sensors_se_mm=(slope**2 + strays**2).sum().sqrt())


def _depths(layers: pl.DataFrame) -> pl.DataFrame:
    """Depths of the balance, its bottom, and the depths left out."""
    used = pl.col("used")

    def listing(which: pl.Expr) -> pl.Expr:
        return depth_text(pl.col("depth_cm")).filter(which).str.join(", ")

    return (
        layers.group_by(*STRIP, "depth_cm")
        .agg(used.first(), pl.col("layer_bottom_cm").max(), pl.col("layer_top_cm").max())
        .sort(*STRIP, "depth_cm")
        .group_by(STRIP, maintain_order=True)
        .agg(
            depths=listing(used),
            without=listing(~used),
            soil_depth_cm=pl.col("layer_bottom_cm").filter(used).max(),
            gap=(pl.col("layer_top_cm").filter(used).max() > 0)
            & (
                (pl.col("layer_bottom_cm") - pl.col("layer_top_cm")).filter(used).sum()
                < pl.col("layer_bottom_cm").filter(used).max() - 0.01
            ),
        )
        .with_columns(
            unlike=(pl.col("soil_depth_cm").max() - pl.col("soil_depth_cm").min() > 0.01).over(
                SEASON
            )
        )
    )


def _reset(day: pl.DataFrame, probe_spell: pl.DataFrame) -> pl.DataFrame:
    """The day on which a probe was set within the window, where one was."""
    window = day.group_by(STRIP).agg(pl.col("from_day", "to_day").first())
    return (
        window.join(probe_spell.select("field", "strip", set_day="from_day"), on=["field", "strip"])
        .filter((pl.col("set_day") > pl.col("from_day")) & (pl.col("set_day") <= pl.col("to_day")))
        .group_by(STRIP)
        .agg(pl.col("set_day").max())
    )


def _yields(strip_yield: pl.DataFrame) -> pl.DataFrame:
    whole = (pl.col("pass") == "all") & (pl.col("method") == "combined")
    return strip_yield.filter(whole).select(*STRIP, "yield_kg_ha", "yield_se_kg_ha")


def _with_use(rows: pl.DataFrame) -> pl.DataFrame:
    """Adds storage used, water use and their errors. Unknown drainage stays in the use."""
    used = pl.col("storage_start_mm") - pl.col("storage_end_mm")
    own = (2 * pl.col("noise_mm") ** 2 + pl.col("sensors_se_mm") ** 2).sqrt()
    return rows.with_columns(
        storage_used_mm=used,
        own_se_mm=own,
        storage_used_se_mm=(own**2 + (SOIL_SLOPE_ERROR * used) ** 2).sqrt(),
    ).with_columns(
        water_use_mm=pl.when(
            (pl.col("rain_coverage") >= LEAST_KNOWN)
            & (pl.col("irrigation_coverage") >= LEAST_KNOWN)
        ).then(
            pl.col("rain_mm")
            + pl.col("irrigation_mm")
            + pl.col("storage_used_mm")
            - pl.col("drainage_mm").fill_null(0.0)
        ),
        water_use_se_mm=(
            pl.col("storage_used_se_mm") ** 2
            + pl.col("drainage_se_mm") ** 2
            + (GAUGE_ERROR * pl.col("rain_mm")) ** 2
            + (APPLIED_ERROR * pl.col("irrigation_mm")) ** 2
        ).sqrt(),
    )


def _with_efficiency(rows: pl.DataFrame) -> pl.DataFrame:
    """Adds yield over water use, with ``relative``, its standard error on the log scale."""
    ok = (pl.col("water_use_mm") >= LEAST_USE_MM) & (pl.col("yield_kg_ha") > 0)
    relative = (
        (pl.col("yield_se_kg_ha") / pl.col("yield_kg_ha")) ** 2
        + (pl.col("water_use_se_mm") / pl.col("water_use_mm")) ** 2
    ).sqrt()
    efficiency = pl.col("yield_kg_ha") / pl.col("water_use_mm")
    name = "water_use_efficiency{}_kg_ha_mm"
    return rows.with_columns(
        pl.when(ok).then(efficiency).alias(name.format("")),
        pl.when(ok).then(relative).alias("relative"),
    ).with_columns(
        (pl.col(name.format("")) * (-Z_95 * pl.col("relative")).exp()).alias(name.format("_low")),
        (pl.col(name.format("")) * (Z_95 * pl.col("relative")).exp()).alias(name.format("_high")),
    )


def _with_change(rows: pl.DataFrame) -> pl.DataFrame:
    def of(name: str, strip: str) -> pl.Expr:
        return in_strip(pl.col(name), strip).first().over(SEASON)

    def share(name: str, strip: str) -> pl.Expr:
        return of(name, strip) / of("water_use_mm", strip)

    def alike(name: str, error: float = 1.0) -> pl.Expr:
        """The variance that an error of both strips, in the same parts of ``name``, leaves."""
        return (error * (share(name, "treated") - share(name, "check"))) ** 2

    def apart(name: str, error: float = 1.0) -> pl.Expr:
        return (error * share(name, "treated")) ** 2 + (error * share(name, "check")) ** 2

    value = "water_use_efficiency_kg_ha_mm"
    ratio = of(value, "treated") / of(value, "check")

    def of_one(name: str, error: float) -> pl.Expr:
        """The variance of an error that both strips share where their sums are of one water."""
        one = (of(name, "treated") - of(name, "check")).abs() < ONE_RAIN_MM
        return pl.when(one).then(alike(name, error)).otherwise(apart(name, error))

    variance = (
        (of("yield_se_kg_ha", "treated") / of("yield_kg_ha", "treated")) ** 2
        + (of("yield_se_kg_ha", "check") / of("yield_kg_ha", "check")) ** 2
        + apart("own_se_mm")
        + alike("storage_used_mm", SOIL_SLOPE_ERROR)
        + of_one("rain_mm", GAUGE_ERROR)
        + of_one("irrigation_mm", APPLIED_ERROR)
        + alike("drainage_se_mm")
        + alike("drainage_mm")
    )
    half = Z_95 * variance.sqrt()
    return rows.with_columns(
        efficiency_change_pct=100 * (ratio - 1),
        efficiency_change_low_pct=100 * (ratio * (-half).exp() - 1),
        efficiency_change_high_pct=100 * (ratio * half.exp() - 1),
    )


def _with_reason(rows: pl.DataFrame) -> pl.DataFrame:
    """Add coverage, the partial flag and the reasons."""
    late = (pl.col("from_day") - pl.col("seeded")).dt.total_days()
    early = (pl.col("harvested") - pl.col("to_day")).dt.total_days()
    length = (pl.col("harvested") - pl.col("seeded")).dt.total_days()
    no_soil = pl.col("storage_start_mm").is_null()
    no_rain = pl.col("rain_coverage") < LEAST_KNOWN
    irrigation_known = pl.col("irrigation_coverage")
    standing = pl.col("harvested").is_null()
    reasons = {
        "no soil water of the strip to make a balance of": no_soil,
        "the crop still stands": standing,
        "too many days without a rain record for a water use": no_rain,
        "rain is understated: days without a record": ~no_rain & (pl.col("rain_coverage") < 1),
        "irrigation is not known on too many days for a water use": irrigation_known < LEAST_KNOWN,
        "irrigation is understated: days of which it is not known": irrigation_known.is_between(
            LEAST_KNOWN, 1, closed="left"
        ),
        "a probe was set within the window, so start and end are of two places": pl.col(
            "set_day"
        ).is_not_null(),
        "a layer between those used is missing": pl.col("gap"),
        "the probes of the two strips do not reach equally deep": pl.col("unlike"),
        "drainage is unknown for want of a drained upper limit and is in the water use": pl.col(
            "drainage_from"
        )
        == "unknown",
        "too little water use for an efficiency": pl.col("water_use_mm") < LEAST_USE_MM,
    }
    cut = (late > NEAR_D) | (early > NEAR_D)
    window = pl.when(cut.fill_null(False)).then(
        pl.format(
            "the balance runs from {} days after seeding to {} days before harvest, "
            "so the efficiency looks too high",
            late,
            early.fill_null(0),
        )
    )
    blind = pl.when(pl.col("storage_d") < pl.col("days")).then(
        pl.format("soil water is known on {} of {} days", "storage_d", "days")
    )
    without = pl.when(pl.col("without") != "").then(
        pl.format("without the layer at {} cm", pl.col("without"))
    )
    notes = (window, blind, without)
    partial = pl.any_horizontal(*reasons.values(), *(note.is_not_null() for note in notes))
    no_demand = ~no_soil & pl.col("crop_et_mm").is_null()
    no_yield = ~no_soil & ~standing & pl.col("yield_kg_ha").is_null()
    return rows.with_columns(
        days_season=length,
        coverage=pl.when(~no_soil).then((pl.col("storage_d") / length).clip(0.0, 1.0)),
        partial=partial.fill_null(False),
        reason=joined(
            *(pl.when(flag).then(pl.lit(text)) for text, flag in reasons.items()),
            *notes,
            pl.when(pl.col("rises_d") > 0).then(
                pl.format(
                    "upward flow possible: on {} days the soil above had dried "
                    "while the deepest layer stayed wet",
                    "rises_d",
                )
            ),
            pl.when(no_demand).then(
                pl.lit("crop evapotranspiration is known on too few days for a sum")
            ),
            pl.when(no_yield).then(pl.lit("no yield yet: the balance stands alone")),
        ),
    )
