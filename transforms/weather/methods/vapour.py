"""The vapour pressure of a reading, whichever way the station reports the moisture of the air."""

import polars as pl

from transforms.methods import calendar_day, penman

# Ratio of the molar masses of water and dry air, and the vapour pressure of air of a known specific
# humidity: WMO-No. 8, Guide to Instruments and Methods of Observation, volume I, annex on
# formulae for humidity (from memory).
RATIO = 0.62198


def of_reading(elevation_m: float | None) -> pl.Expr:
    """Return the actual vapour pressure [kPa] of a weather reading, null where nothing tells it.

    The first there is of: as measured; of the specific humidity [g/kg] and the air pressure
    (FAO-56 Eq 7 at ``elevation_m`` where it is not measured); the saturation pressure (FAO-56
    Eq 11 at the mean temperature, Eq 12 where a day has its extremes) less the deficit [kPa].
    """
    pressure = pl.coalesce("air_pressure_kpa", penman.pressure(pl.lit(elevation_m, pl.Float64)))
    share = pl.col("specific_humidity_g_kg") * 1e-3
    of_humidity = share * pressure / (RATIO + (1.0 - RATIO) * share)
    whole_day = pl.col("interval_s") >= calendar_day.DAY_S
    extremes = penman.mean_saturation(pl.col("air_temp_max_c"), pl.col("air_temp_min_c"))
    saturated = pl.coalesce(
        pl.when(whole_day).then(extremes), penman.saturation(pl.col("air_temp_c"))
    )
    of_deficit = (saturated - pl.col("vapour_pressure_deficit_kpa")).clip(lower_bound=0.0)
    return pl.coalesce("vapour_pressure_kpa", of_humidity, of_deficit)
