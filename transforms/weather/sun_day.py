"""The center of each day's radiation against the sun's noon: what a station's clock is worth.

On a clear day radiation is symmetrical about solar noon, so its center of mass lies there. Solar
noon by FAO-56 equations 24, 32 and 33, radiation at the top of the atmosphere by FAO-56 equation
21 (Allen et al. 1998, FAO Irrigation and Drainage Paper 56).
"""

import polars as pl

from schemas import generated
from schemas.tables.weather.sun_day import TABLE
from transforms.methods import calendar_day, penman
from transforms.methods.sun import half_day_h, solar_hours

LONGEST_S = 3600.0
WHOLE = 0.99
LEAST_J_M2 = 5e5  # a day with less has no center worth the name


def derive(
    weather_reading: pl.DataFrame, station_spell: pl.DataFrame, farm: pl.DataFrame
) -> pl.DataFrame:
    """One row a station and day with radiation in short steps. Hours, shares.

    ``noon_error_h`` is null where less than 99 % of the day is covered, where the farm's day cuts
    the daylight in two, where hardly any light fell, or at a farm without a place. Radiation counts
    at the middle of its interval, or at its stamp where the station's layouts stamp instants.
    """
    energy = pl.coalesce(
        pl.col("solar_radiation_w_m2") * pl.col("interval_s"), pl.col("solar_energy_mj_m2") * 1e6
    ).clip(0.0, None)
    reading = (
        weather_reading.join(station_spell.select("station").unique(), on="station", how="semi")
        .with_columns(energy=energy, day=calendar_day.day_of(pl.col("time"), farm))
        .filter(pl.col("energy").is_not_null() & (pl.col("interval_s") <= LONGEST_S))
        .sort("station", "time")
    )
    if reading.is_empty():
        return generated.empty(TABLE)
    longitude, latitude = (
        pl.lit(farm[name].item(), pl.Float64) for name in ("longitude_deg", "latitude_deg")
    )
    seconds = calendar_day.covered_s(pl.lit(True), "group")
    begins = calendar_day.starts_at(pl.col("day"), farm)
    instant = station_spell.filter(pl.col("instant"))["station"].unique().to_list()
    back_h = pl.when(~pl.col("station").is_in(instant)).then(pl.col("interval_s") * (0.5 / 3600))
    middle_h = calendar_day.seconds(pl.col("time") - begins) * (1 / 3600) - back_h.fill_null(0.0)
    days = (
        reading.with_columns(group=pl.struct("station", "day").rle_id(), middle_h=middle_h)
        .with_columns(seconds=seconds)
        .group_by("station", "day", maintain_order=True)
        .agg(
            calendar_day.coverage(pl.col("seconds")).alias("coverage"),
            energy=pl.col("energy").sum(),
            moment=(pl.col("energy") * pl.col("middle_h")).sum(),
        )
    )
    # solar time at the middle of the farm's day, and from it the hour of that day at solar noon
    mid = begins.dt.offset_by("12h")
    noon_h = 12.0 + (12.0 - (solar_hours(mid, longitude) + 240.0) % 24.0 + 12.0) % 24.0 - 12.0
    ordinal = pl.col("day").dt.ordinal_day().cast(pl.Float64)
    days = days.with_columns(
        noon_h=noon_h,
        half_h=half_day_h(pl.col("day").dt.ordinal_day(), latitude),
        top=penman.extraterrestrial(latitude, ordinal) * 1e6,
    )
    cut = (pl.col("noon_h") - pl.col("half_h") < 0.5) | (pl.col("noon_h") + pl.col("half_h") > 23.5)
    why = (
        pl.when(pl.col("coverage") < WHOLE)
        .then(pl.lit("readings of radiation are missing"))
        .when(pl.col("noon_h").is_null())
        .then(pl.lit("farm.toml gives the farm no place"))
        .when(cut)
        .then(pl.lit("the farm's day cuts the daylight in two"))
        .when(pl.col("energy") < LEAST_J_M2)
        .then(pl.lit("hardly any light"))
    )
    days = days.with_columns(reason=why).with_columns(
        noon_error_h=pl.when(pl.col("reason").is_null()).then(
            pl.col("moment") / pl.col("energy") - pl.col("noon_h")
        ),
        clearness=pl.when(pl.col("coverage") >= WHOLE).then(
            pl.when(pl.col("top") > 1e6).then(pl.col("energy") / pl.col("top"))
        ),
        partial=pl.col("coverage") < WHOLE,
    )
    days = days.with_columns(
        clearness=pl.when(pl.col("clearness") <= 2.0).then("clearness"),
        noon_error_h=pl.when(pl.col("noon_error_h").abs() <= 12.0).then("noon_error_h"),
    )
    return generated.conform(days.select(TABLE.names).sort("station", "day"), TABLE)
