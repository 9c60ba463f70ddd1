"""What each layer lost to roots in a day, evaporation still in it: by the day's course or by balance.

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

Single days are kept with their noise, a little below zero where noise has it so: cutting them at zero
would turn noise into uptake when days are summed. For the same reason a layer has only gained water
when it rose by more than its sensor jitters from day to day. What is usual of a sensor is told from
each crop year, harvest to harvest, by itself.
"""

import polars as pl

from transforms.methods.crop_days import with_crop_year, with_season
from transforms.methods.irrigation import with_irrigation
from transforms.methods.strips import strip_rain
from transforms.roots.methods import day_night

RAIN_MM = 1.0  # less wets the canopy and dries again
GAIN_PCT = 0.3  # a rise by more than noise: water came in
GAIN_NOISE = 4.0  # and by more than so many standard deviations of the sensor's own days
ABOVE_LIMIT_PCT = 0.5  # so far above the drained upper limit a layer still drains

SENSOR = ["probe", "depth_cm"]
PLACE = [*SENSOR, "field", "strip"]
CROP_YEAR = [*PLACE, "since"]  # what a sensor's own habits are learned within


def by_day(
    soil_water_day: pl.DataFrame,
    soil_pulse_day: pl.DataFrame,
    weather_used_day: pl.DataFrame,
    irrigation_day: pl.DataFrame,
    season: pl.DataFrame,
) -> pl.DataFrame:
    """Return the layers' days on trial with ``fall_mm``, ``uptake_mm``, ``method`` and why there is none.

    Sorted by sensor and day. ``since``: the last harvest before the day; ``growing``: a crop stands.
    """
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
        .with_columns(place_no=pl.struct(PLACE).rle_id(), habit_no=pl.struct(CROP_YEAR).rle_id())
    )
    rows = _with_fall(rows)
    return _with_uptake(rows.join(_pulses(rows, soil_pulse_day), on=[*SENSOR, "day"], how="left"))


def with_evaporation(rows: pl.DataFrame, evaporation_day: pl.DataFrame) -> pl.DataFrame:
    """Add ``lost_mm``, the strip's evaporation of the day, and ``at_surface``: a balance has it in it."""
    c = pl.col
    own = evaporation_day.group_by("field", "strip", "day").agg(
        own_mm=c("layer_evaporation_mm").mean()
    )
    both = evaporation_day.group_by("field", "day").agg(both_mm=c("layer_evaporation_mm").mean())
    return (
        rows.join(own, on=["field", "strip", "day"], how="left")
        .join(both, on=["field", "day"], how="left")
        .with_columns(
            lost_mm=pl.coalesce("own_mm", "both_mm"),
            at_surface=(c("layer_top_cm") == 0) & (c("method") == "balance"),
        )
    )


def beside(expr: pl.Expr, days: int) -> pl.Expr:
    """The value ``days`` before (after, where negative) at the same place, null across a gap."""
    same = pl.col("place_no") == pl.col("place_no").shift(days)
    since = (pl.col("day") - pl.col("day").shift(days)).dt.total_days()
    return pl.when(same & (since == days)).then(expr.shift(days))


def _with_fall(rows: pl.DataFrame) -> pl.DataFrame:
    """Fall since the day before, and whether rain or water from above came in."""
    vwc = pl.col("vwc_pct")
    # Of three days in line the middle one departs by 1.22 (root of 3/2) times a day's noise.
    bend = (vwc - (beside(vwc, 1) + beside(vwc, -1)) / 2).abs()
    noise = (1.4826 / 1.2247 * bend.median()).over("habit_no")
    limit = pl.max_horizontal(pl.lit(GAIN_PCT), GAIN_NOISE * noise)
    rows = rows.with_columns(
        fall_mm=beside(pl.col("storage_mm"), 1) - pl.col("storage_mm"),
        gained=(
            pl.max_horizontal(beside(vwc, -1), vwc) - pl.min_horizontal(beside(vwc, 1), vwc) > limit
        )
        & (pl.coalesce(beside(vwc, -1), vwc) > pl.coalesce(beside(vwc, 1), vwc)),
    )
    day = ["probe", "day"]
    deepest = pl.col("depth_cm").filter(pl.col("gained").fill_null(False)).max().over(day)
    water = pl.col("rain_mm").fill_null(0.0) + pl.col("wetted_mm")
    rained = water >= RAIN_MM
    return rows.with_columns(
        rained=rained
        & ((pl.col("layer_top_cm") == 0) | (pl.col("depth_cm") <= deepest).fill_null(False)),
        rained_lately=pl.max_horizontal(water, beside(water, 1)) >= RAIN_MM,
        full=pl.max_horizontal("above", beside(pl.col("above"), 1)).fill_null(0.0)
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
    by_pulse = (c("pulse_pct").count() * 2 > c("storage_mm").count()).over("habit_no")
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
