"""Water in the layer that a sensor stands for."""

from schemas.shared_columns import (
    DAY,
    DEPTH,
    LIMITS,
    PROBE,
    PROBE_STOOD_IN,
    QUALITIES,
    completeness,
)
from schemas.table import Table, Tier, number, share, text

TABLE = Table(
    "soil_water_day",
    Tier.DERIVED,
    "the soil layer of one sensor of a probe on one day",
    (
        PROBE,
        DEPTH,
        DAY,
        *PROBE_STOOD_IN,
        number(
            "layer_top_cm",
            "cm",
            "top of the layer: the middle to the sensor above, the surface for the first",
            0,
            1000,
        ),
        number(
            "layer_bottom_cm",
            "cm",
            (
                "bottom of the layer: the middle to the sensor below; for the last as far below "
                "the sensor as its top is above it"
            ),
            0,
            2000,
        ),
        number(
            "vwc_pct", "percent", "mean volumetric water content of the day, offset applied", 0, 100
        ),
        number("storage_mm", "mm", "water in the layer", 0, 10000),
        share(
            "available_water_share",
            (
                "where the layer stands between its lower limit (0) and its drained upper limit (1); outside "
                "of 0 to 1 where it is drier or wetter than those"
            ),
            low=-10,
            high=10,
        ),
        *LIMITS,
        text("quality", "quality of the sensor that day", one_of=QUALITIES),
        *completeness("share of the day with water content"),
    ),
)
