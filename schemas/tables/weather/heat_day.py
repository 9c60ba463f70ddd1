"""Growing degree days and corn heat units by season, day by day."""

from schemas.shared_columns import (
    AIR_TEMP_MAX,
    AIR_TEMP_MIN,
    CROP,
    DAY,
    FIELD,
    SEASON,
    STRIP,
    completeness,
)
from schemas.table import Table, Tier, count, number, text

TABLE = Table(
    "heat_day",
    Tier.DERIVED,
    "heat of one day of a season in one strip, from seeding to harvest, and its sum since seeding",
    (
        FIELD,
        SEASON,
        STRIP,
        DAY,
        CROP,
        text("station", "station whose temperatures were taken"),
        number("base_temp_c", "degC", "base temperature of the crop", -5, 25),
        number("upper_temp_c", "degC", "upper temperature of the crop", 10, 50),
        AIR_TEMP_MAX,
        AIR_TEMP_MIN,
        number(
            "gdd_average_c_d",
            "delta_degC*day",
            "growing degree days: mean of the extremes, limited to base and upper",
            0,
            60,
        ),
        number(
            "gdd_clipped_c_d",
            "delta_degC*day",
            "growing degree days: each extreme limited to base and upper, then averaged",
            0,
            60,
        ),
        number(
            "gdd_sine_c_d",
            "delta_degC*day",
            "growing degree days: area between base and upper under a sine through the extremes",
            0,
            60,
        ),
        number("corn_heat_units", "1", "corn heat units of the day", 0, 60),
        number("gdd_average_sum_c_d", "delta_degC*day", "sum since seeding, of days with data", 0),
        number("gdd_clipped_sum_c_d", "delta_degC*day", "sum since seeding, of days with data", 0),
        number("gdd_sine_sum_c_d", "delta_degC*day", "sum since seeding, of days with data", 0),
        number("corn_heat_units_sum", "1", "sum since seeding, of days with data", 0),
        count("days", "days since seeding, the day of seeding included"),
        count("days_missing", "of these, days without usable temperatures: the sums lack them"),
        count("days_part", "of these, days of which part of the temperatures is in the sums"),
        *completeness("share of the time since seeding whose temperatures are in the sums"),
    ),
)
