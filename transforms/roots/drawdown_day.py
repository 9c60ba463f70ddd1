"""Water taken up from each layer, day by day.

The methods are those of ``layer_uptake``. By either a day is null, with the reason, where the sensor
cannot be used (frozen soil among the rest), where the layer gained water, and on rain days for the
top layer and for every layer above the deepest one that gained. Zero stands only where it was measured.

Uptake of the layer (mm) = fall of water content (%) / 100 x thickness (mm).

Evaporation from the soil is in the balance of the layer at the surface; the day-night method is
only used where the sensor lies too deep to see it. It is taken off as ``evaporation_mm``: the
day's evaporation from the evaporation layer by the dual crop coefficient (``evaporation_day``), times
the share of it that this sensor shows; what rises from below under a dry surface, a crop's roots take
first. That share is learned from the sensors' own bare days (``evaporation_seen``). Where there are too
few a sensor above ``EVAPORATES_CM`` is taken to show all of it, a deeper one nothing (FAO Irrigation
and Drainage Paper 56: the layer that evaporation dries is 0.10 to 0.15 m).
"""

import polars as pl

from schemas import generated
from schemas.tables.roots.drawdown_day import TABLE
from transforms.roots.methods import layer_uptake

PART = "field season"
MARGIN_MONTHS = 1  # the day before, and the day after

EVAPORATES_CM = 15.0


def derive(  # noqa: PLR0917 - the tables that it is made from
    soil_water_day: pl.DataFrame,
    soil_pulse_day: pl.DataFrame,
    weather_used_day: pl.DataFrame,
    irrigation_day: pl.DataFrame,
    evaporation_day: pl.DataFrame,
    evaporation_seen: pl.DataFrame,
    season: pl.DataFrame,
) -> pl.DataFrame:
    """One row a layer and day of a probe that stands on trial. Water in mm a day."""
    rows = layer_uptake.by_day(
        soil_water_day, soil_pulse_day, weather_used_day, irrigation_day, season
    )
    lost = layer_uptake.with_evaporation(rows, evaporation_day)
    rows = _with_reason(_without_evaporation(lost, evaporation_seen))
    both = pl.col("strip").filter(pl.col("uptake_mm").is_not_null()).n_unique() == 2
    rows = rows.with_columns(both_strips=both.over("field", "depth_cm", "day"))
    return generated.conform(rows.select(TABLE.names), TABLE).sort(TABLE.key)


def _without_evaporation(rows: pl.DataFrame, evaporation_seen: pl.DataFrame) -> pl.DataFrame:
    """Takes evaporation off the balances of the layer at the surface."""
    c = pl.col
    usual = pl.when(c("depth_cm") <= EVAPORATES_CM).then(1.0).otherwise(0.0)
    seen = evaporation_seen.select("field", "depth_cm", "seen_share")
    taken = pl.when("at_surface").then(c("lost_mm") * pl.coalesce("seen_share", usual))
    return (
        rows.join(seen, on=["field", "depth_cm"], how="left")
        .with_columns(evaporation_mm=taken)
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
            pl.when(pl.max_horizontal("wetted_mm", layer_uptake.beside(c("wetted_mm"), 1)) > 0)
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
