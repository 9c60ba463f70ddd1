"""Water in the profile of a strip, over depths that do not change from day to day."""

from schemas.shared_columns import DAY, FIELD, STANDING_SEASON, STRIP, completeness
from schemas.table import Compared, Table, Tier, count, number, text, unlimited_share

TABLE = Table(
    "profile_water_day",
    Tier.DERIVED,
    "the soil profile of one strip on one day, over the depths that both strips have",
    (
        FIELD,
        STRIP,
        DAY,
        STANDING_SEASON,
        text(
            "depths",
            "depths of the sensors behind the water, in cm: the same in both strips, harvest to harvest",
        ),
        number("soil_depth_cm", "cm", "bottom of the deepest of their layers", 0, 2000),
        number("water_mm", "mm", "water in those layers; null if one has no value", 0, 10000),
        number(
            "available_water_mm",
            "mm",
            "water above the lower limit of those layers; null if one has no value or no limits",
            -5000,
            10000,
        ),
        number(
            "available_capacity_mm",
            "mm",
            "available water of those layers if all are at their drained upper limit",
            0,
            10000,
        ),
        unlimited_share(
            "available_water_share",
            (
                "available water as a share of that capacity, over those of the depths that both "
                "strips have on the day"
            ),
        ),
        unlimited_share(
            "demand_met_share",
            (
                "uptake from those layers as a share of the crop's demand, over the days of the "
                "week up to the day on which both strips have an uptake; below 1 the crop lacks "
                "water, or takes some from below the deepest sensor"
            ),
        ),
        count("demand_met_d", "days behind that share, at the depth that has the fewest", high=7),
        *completeness("share of those depths with a value that day"),
    ),
    compared=Compared.ALONE,
)
