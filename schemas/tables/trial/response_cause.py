"""A response beside what may have caused it."""

from schemas.shared_columns import (
    CROP,
    FIELD,
    LAST_OPERATION_DAY,
    PRACTICE,
    RESPONSE_PCT,
    SEASON,
    YEARS_SINCE,
    completeness,
)
from schemas.table import Column, Compared, Table, Tier, number, text, unlimited_share

# What may have caused a response. response_driver takes its list from here.
CAUSES: tuple[Column, ...] = (
    number(
        "season_rain_of_normal_pct",
        "percent",
        "rain from seeding to harvest in percent of its normal, mean of the field's stations",
        0,
    ),
    unlimited_share(
        "seeding_water_share",
        "available water of the check strip's profile at seeding, as a share of its capacity",
    ),
    number(
        "seeding_water_gain_mm",
        "mm",
        "water in the profile at seeding, treated less check, same depths",
    ),
    unlimited_share("capture_gain", "share of the rain events' water captured, treated less check"),
    number(
        "root_lead_d",
        "day",
        "days by which the treated strip's roots were ahead, mean of the depths that both reached",
    ),
    number("water_use_gain_mm", "mm", "water use from seeding to harvest, treated less check"),
    number(
        "deep_uptake_gain_mm",
        "mm",
        "water taken up from below the working depth (below 40 cm where that is not known), treated less check",
    ),
    number("uptake_gain_mm", "mm", "water taken up from all depths, treated less check"),
    number(
        "vegetation_peak_gain",
        "1",
        "highest vegetation index, treated less check: a sign of the crop, as the yield is",
    ),
    number("vegetation_area_gain_d", "day", "area under the vegetation index, treated less check"),
    number("green_up_later_d", "day", "days by which the treated strip greened up later"),
    number("senescence_later_d", "day", "days by which the treated strip ripened later"),
    number("operation_depth_cm", "cm", "working depth of the operation", 0, 200),
    unlimited_share(
        "operation_water_share",
        "available water of the layer at working depth when it was worked, as a share of its capacity",
    ),
    YEARS_SINCE,
)

TABLE = Table(
    "response_cause",
    Tier.DERIVED,
    "one response after an operation, beside what may have caused it",
    (
        FIELD,
        SEASON,
        CROP,
        PRACTICE,
        LAST_OPERATION_DAY,
        number("response_kg_ha", "kg/ha", "treated minus check yield"),
        RESPONSE_PCT,
        number("shared_se_pct", "percent", "its standard error, scatter shared", 0),
        text(
            "season_rain",
            "the season's rain: dry below 85, wet above 115 percent of normal",
            one_of=("dry", "normal", "wet"),
        ),
        *CAUSES,
        number(
            "efficiency_change_pct",
            "percent",
            "water use efficiency, treated over check; the yield is in it, so it explains nothing",
        ),
        *completeness("share of the causes that are known"),
    ),
    compared=Compared.TOGETHER,
)
