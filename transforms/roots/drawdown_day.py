"""Water taken up from each layer, day by day.

Day-night method (``soil_pulse_day``, ``day_night``): where the probe reads often enough, the uptake
of a day is what its sensor fell by day beyond the course of the nights around it; water that
drains or moves within the profile does so by night as well and is not counted.

Balance method, the fallback for records that come once a day and for layers so near the surface
that the day's swing of temperature hides the pulse: the fall in the layer's storage since the day
before, on days on which nothing else moves water: no rain or irrigation on the day or the day before and the
layer not above its drained upper limit, where what falls is drainage. This is the single-step water balance
of Guderle and Hildebrandt 2015 (Hydrology and Earth System Sciences 19, 409-425,
doi:10.5194/hess-19-409-2015). It takes redistribution within the profile for uptake, which below
the drained upper limit is small.

By either method a day is null, with the reason, where the sensor cannot be used (frozen soil among
the rest), where the layer gained water, and on rain days for the top layer and for every layer
above the deepest one that gained. Zero stands only where it was measured. Single days are kept
with their noise, a little below zero where noise has it so: cutting them at zero would turn noise
into uptake when days are summed. For the same reason a layer has only gained water when it rose by
more than its sensor jitters from day to day.

Uptake of the layer (mm) = fall of water content (%) / 100 x thickness (mm).

Evaporation from the soil is in the balance of the layer at the surface; the day-night method is
only used where the sensor lies too deep to see it. It is taken off as ``evaporation_mm``: the
day's evaporation from the evaporation layer by the dual crop coefficient (``evaporation_day``), times
the share of it that this sensor shows; what rises from below under a dry surface, a crop's roots take
first. That share is learned from the crop year's own bare days (from harvest to emergence), on which all
that the layer loses without rain is evaporation: the sum of its falls over the sum of the evaporation.
Where there are too few bare days a sensor above ``EVAPORATES_CM`` is taken to show all of it, a
deeper one nothing (FAO Irrigation and Drainage Paper 56: the layer that evaporation dries is 0.10
to 0.15 m).
"""

import polars as pl

from schemas import generated
from schemas.tables.roots.drawdown_day import TABLE
from transforms.methods.crop_days import with_crop_year, with_season
from transforms.methods.irrigation import with_irrigation
from transforms.methods.strips import strip_rain
from transforms.roots.methods import day_night

PART = "field season"
MARGIN_MONTHS = 1  # the day before, and the day after

RAIN_MM = 1.0  # less wets the canopy and dries again
GAIN_PCT = 0.3  # a rise by more than noise: water came in
GAIN_NOISE = 4.0  # and by more than so many standard deviations of the sensor's own days
ABOVE_LIMIT_PCT = 0.5  # so far above the drained upper limit a layer still drains
EVAPORATES_CM = 15.0
LEAST_BARE_DAYS = 20
LEAST_BARE_MM = 5.0  # of evaporation on them
MOST_SHOWN = 2.0  # a sensor that swings more than its layer does

SENSOR = ["probe", "depth_cm"]
PLACE = [*SENSOR, "field", "strip"]
CROP_YEAR = [*PLACE, "since"]  # what a sensor's own habits are learned within


def derive(  # noqa: PLR0917 - the tables that it is made from
    soil_water_day: pl.DataFrame,
    soil_pulse_day: pl.DataFrame,
    weather_used_day: pl.DataFrame,
    irrigation_day: pl.DataFrame,
    evaporation_day: pl.DataFrame,
    season: pl.DataFrame,
) -> pl.DataFrame:
    """One row a layer and day of a probe that stands on trial. Water in mm a day."""
    rows = (
        soil_water_day.filter(pl.col("field").is_not_null() & pl.col("strip").is_not_null())
        .join(strip_rain(weather_used_day), on=["field", "strip", "day"], how="left")
        .pipe(with_irrigation, irrigation_day)
        .with_columns(
            layer_thickness_cm=pl.col("layer_bottom_cm") - pl.col("layer_top_cm"),
            above=pl.col("vwc_pct") - pl.col("drained_upper_limit_pct"),
        )
        .pipe(with_season, season)
        .pipe(with_crop_year, season)
        .sort(*SENSOR, "day")
        .with_columns(place_no=pl.struct(PLACE).rle_id())
    )
    rows = _with_fall(rows)
    rows = _with_uptake(rows.join(_pulses(rows, soil_pulse_day), on=[*SENSOR, "day"], how="left"))
    rows = _with_reason(_without_evaporation(rows, evaporation_day))
    both = pl.col("strip").filter(pl.col("uptake_mm").is_not_null()).n_unique() == 2
    rows = rows.with_columns(both_strips=both.over("field", "depth_cm", "day"))
    return generated.conform(rows.select(TABLE.names), TABLE).sort(TABLE.key)


def _beside(expr: pl.Expr, days: int) -> pl.Expr:
    """The value ``days`` before (after, where negative) at the same place, null across a gap."""
    same = pl.col("place_no") == pl.col("place_no").shift(days)
    since = (pl.col("day") - pl.col("day").shift(days)).dt.total_days()
    return pl.when(same & (since == days)).then(expr.shift(days))


def _with_fall(rows: pl.DataFrame) -> pl.DataFrame:
    """Fall since the day before, and whether rain or water from above came in."""
    vwc = pl.col("vwc_pct")
    # Of three days in line the middle one departs by 1.22 (root of 3/2) times a day's noise.
    bend = (vwc - (_beside(vwc, 1) + _beside(vwc, -1)) / 2).abs()
    noise = (1.4826 / 1.2247 * bend.median()).over(CROP_YEAR)
    limit = pl.max_horizontal(pl.lit(GAIN_PCT), GAIN_NOISE * noise)
    rows = rows.with_columns(
        fall_mm=_beside(pl.col("storage_mm"), 1) - pl.col("storage_mm"),
        gained=(
            pl.max_horizontal(_beside(vwc, -1), vwc) - pl.min_horizontal(_beside(vwc, 1), vwc)
            > limit
        )
        & (pl.coalesce(_beside(vwc, -1), vwc) > pl.coalesce(_beside(vwc, 1), vwc)),
    )
    day = ["probe", "day"]
    deepest = pl.col("depth_cm").filter(pl.col("gained").fill_null(False)).max().over(day)
    water = pl.col("rain_mm").fill_null(0.0) + pl.col("wetted_mm")
    rained = water >= RAIN_MM
    return rows.with_columns(
        rained=rained
        & ((pl.col("layer_top_cm") == 0) | (pl.col("depth_cm") <= deepest).fill_null(False)),
        rained_lately=pl.max_horizontal(water, _beside(water, 1)) >= RAIN_MM,
        full=pl.max_horizontal("above", _beside(pl.col("above"), 1)).fill_null(0.0)
        > ABOVE_LIMIT_PCT,
    )


def _pulses(rows: pl.DataFrame, soil_pulse_day: pl.DataFrame) -> pl.DataFrame:
    """Day-night uptake in percent by sensor and day."""
    known = rows.select(*CROP_YEAR, "day", "growing", usable=pl.col("storage_mm").is_not_null())
    pulses = soil_pulse_day.drop("field", "strip").join(known, on=[*SENSOR, "day"])
    return day_night.uptake(pulses).select(
        *SENSOR, "day", "pulse_pct", "pulse_error_pct", rough=~pl.col("clear")
    )


def _with_uptake(rows: pl.DataFrame) -> pl.DataFrame:
    """Uptake by the better method that the day allows.

    A sensor that has pulses on most of a crop year's days is never filled up with balances: a season's sum
    would mix two methods of different bias.
    """
    c = pl.col
    by_pulse = (c("pulse_pct").count() * 2 > c("storage_mm").count()).over(CROP_YEAR)
    open_ = c("storage_mm").is_not_null() & ~c("gained").fill_null(False) & ~c("rained")
    pulse = by_pulse & open_ & c("pulse_pct").is_not_null()
    balance = ~by_pulse & open_ & c("fall_mm").is_not_null() & ~c("rained_lately") & ~c("full")
    to_mm = c("layer_thickness_cm") / 10
    return rows.with_columns(
        by_pulse=by_pulse,
        method=pl.when(pulse).then(pl.lit("day-night")).when(balance).then(pl.lit("balance")),
        uptake_mm=pl.when(pulse).then(c("pulse_pct") * to_mm).when(balance).then("fall_mm"),
        uptake_error_mm=pl.when(pulse).then(c("pulse_error_pct") * to_mm),
    )


def _without_evaporation(rows: pl.DataFrame, evaporation_day: pl.DataFrame) -> pl.DataFrame:
    """Takes evaporation off the balances of the layer at the surface."""
    c = pl.col
    own = evaporation_day.group_by("field", "strip", "day").agg(
        own_mm=c("layer_evaporation_mm").mean()
    )
    both = evaporation_day.group_by("field", "day").agg(both_mm=c("layer_evaporation_mm").mean())
    lost = pl.coalesce("own_mm", "both_mm")
    at_surface = (c("layer_top_cm") == 0) & (c("method") == "balance")
    bare = at_surface & ~c("growing") & lost.is_not_null()
    soil = ["field", "depth_cm", "since"]
    days = bare.sum().over(soil)
    evaporated = lost.filter(bare).sum().over(soil)
    shown = (c("uptake_mm").filter(bare).sum().over(soil) / evaporated).clip(0.0, MOST_SHOWN)
    usual = pl.when(c("depth_cm") <= EVAPORATES_CM).then(1.0).otherwise(0.0)
    learned = (days >= LEAST_BARE_DAYS) & (evaporated >= LEAST_BARE_MM)
    taken = pl.when(at_surface).then(lost * pl.when(learned).then(shown).otherwise(usual))
    return (
        rows.join(own, on=["field", "strip", "day"], how="left")
        .join(both, on=["field", "day"], how="left")
        .with_columns(evaporation_mm=taken, at_surface=at_surface)
        .with_columns(uptake_mm=c("uptake_mm") - c("evaporation_mm").fill_null(0.0))
    )


def _with_reason(rows: pl.DataFrame) -> pl.DataFrame:
    """Add ``partial``, and in plain words why there is no uptake or a doubtful one."""
    c = pl.col
    none = c("uptake_mm").is_null()
    why = (
        pl.when(c("storage_mm").is_null())
        .then(c("reason"))
        .when(c("gained").fill_null(False))
        .then(pl.lit("the layer gained water"))
        .when(c("rained") | (~c("by_pulse") & c("rained_lately")))
        .then(
            pl.when(pl.max_horizontal("wetted_mm", _beside(c("wetted_mm"), 1)) > 0)
            .then(pl.lit("rain or irrigation on the day or the day before"))
            .otherwise(pl.lit("rain on the day or the day before"))
        )
        .when(c("by_pulse"))
        .then(pl.lit("the readings of the day do not show a course that uptake can be read from"))
        .when(c("fall_mm").is_null())
        .then(pl.lit("no storage the day before"))
        .when(c("full"))
        .then(pl.lit("above the drained upper limit: drainage cannot be separated from uptake"))
    )
    unsplit = (c("at_surface") & c("evaporation_mm").is_null()).fill_null(False)
    doubt = (
        pl.when(c("rain_mm").is_null())
        .then(pl.lit("rain not known that day"))
        .when(c("irrigation_mm").is_null())
        .then(pl.lit("irrigation not known that day"))
        .when(unsplit)
        .then(pl.lit("evaporation from the soil is not known and is in it"))
    )
    return rows.with_columns(
        partial=none
        | c("rain_mm").is_null()
        | c("irrigation_mm").is_null()
        | unsplit
        | c("partial"),
        reason=pl.when(none).then(why).otherwise(pl.coalesce(c("reason"), doubt)),
    )
