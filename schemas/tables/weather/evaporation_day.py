"""Evaporation from the soil's surface beside the crop's own demand."""

from schemas.shared_columns import DAY, STATION, STATION_STOOD_IN, completeness
from schemas.table import Table, Tier, number

TABLE = Table(
    "evaporation_day",
    Tier.DERIVED,
    "evaporation from the soil at one station on one day, by the dual crop coefficient",
    (
        STATION,
        DAY,
        *STATION_STOOD_IN,
        number(
            "basal_coefficient",
            "1",
            "transpiration where it lacks no water over reference evapotranspiration",
            0,
            1.5,
        ),
        number(
            "evaporation_coefficient",
            "1",
            "evaporation from the soil over reference evapotranspiration",
            0,
            1.5,
        ),
        number("basal_et_mm", "mm", "transpiration of the crop where it lacks no water", 0, 30),
        number("soil_evaporation_mm", "mm", "evaporation from the surface of the soil", 0, 30),
        number(
            "layer_evaporation_mm",
            "mm",
            "part of it that the evaporation layer loses, without what rises from below",
            0,
            30,
        ),
        number(
            "surface_depletion_mm",
            "mm",
            "water that the evaporation layer lacks at the end of the day",
            0,
            100,
        ),
        *completeness("share known of: reference evapotranspiration, rain"),
    ),
)
