"""Fuel, speed and soil water of an operation."""

from schemas.shared_columns import (
    FIELD,
    WORK_DAY,
    WORK_DEPTH,
    WORK_DRAFT,
    WORK_PRACTICE,
    WORK_SPEED,
    WORKED_STRIP,
    completeness,
)
from schemas.table import Table, Tier, count, day, number, unlimited_share

TABLE = Table(
    "operation_fuel",
    Tier.DERIVED,
    (
        "one operation: fuel, speed, draft and the soil water at working depth, and the same "
        "beside the field's first working"
    ),
    (
        FIELD,
        WORKED_STRIP,
        WORK_DAY,
        WORK_PRACTICE,
        count("working", "1 for the first working on record, 2 for the next", low=1, required=True),
        number("years_since_last", "1", "years since the working before; null for the first", 0),
        WORK_DEPTH,
        WORK_SPEED,
        WORK_DRAFT,
        number("fuel_l_ha", "L/hectare", "fuel burnt by area", 0),
        number(
            "vwc_pct",
            "percent",
            (
                "water content of the layer at working depth: last known day within a week before "
                "the work, else first within two weeks after it, of the strip that was not worked"
            ),
            0,
            100,
        ),
        unlimited_share(
            "available_water_share",
            "where that layer stood between its lower limit (0) and its drained upper limit (1)",
        ),
        day("soil_water_day", "the day of that water content"),
        number(
            "fuel_against_first_pct",
            "percent",
            "fuel by area against the field's first working; -10 is a tenth less",
        ),
        number("depth_against_first_cm", "cm", "working depth less that of the first working"),
        number(
            "speed_against_first_km_h", "km/hour", "working speed less that of the first working"
        ),
        *completeness("share of fuel, depth, speed and soil water that is known"),
    ),
)
