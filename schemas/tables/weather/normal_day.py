"""The normals of the days of the year."""

from schemas.shared_columns import MONTH, completeness
from schemas.table import Table, Tier, count, number

TABLE = Table(
    "normal_day",
    Tier.DERIVED,
    (
        "the normal of one day of the year; days of a common year and of a leap year stand apart, "
        "so that February keeps its sum in both"
    ),
    (
        count(
            "days_in_year",
            "365 for a common year, 366 for a leap year",
            low=365,
            high=366,
            key=True,
        ),
        MONTH,
        count("day_of_month", "day of the month", low=1, high=31, key=True),
        number(
            "rain_mm",
            "mm",
            "normal rain of the day; the days of a month sum to the month's normal",
            0,
            500,
        ),
        number(
            "air_temp_mean_c",
            "degC",
            "normal mean air temperature; the days of a month average to the month's normal",
            -90,
            60,
        ),
        number("air_temp_max_c", "degC", "normal highest air temperature, likewise", -90, 60),
        number("air_temp_min_c", "degC", "normal lowest air temperature, likewise", -90, 60),
        *completeness("coverage of the month's normal"),
    ),
)
