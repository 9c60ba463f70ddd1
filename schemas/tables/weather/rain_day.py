"""Rain against normal, day by day."""

from schemas.shared_columns import (
    DAY,
    PARTIAL,
    RAIN_JUDGED,
    RAIN_OF_DAY,
    RAIN_TO_DATE,
    REASON,
    STATION,
    STATION_STOOD_IN,
)
from schemas.table import Table, Tier, flag, number

TABLE = Table(
    "rain_day",
    Tier.DERIVED,
    "rain at one station on one day, from its first day to its last; days without data stand as nulls",
    (
        STATION,
        DAY,
        *STATION_STOOD_IN,
        *RAIN_OF_DAY,
        number(
            "recorded_d",
            "day",
            (
                "days that the total stands for: the recorded part of the day, and the lost parts "
                "of the days that it bridges"
            ),
            0,
        ),
        number("normal_mm", "mm", "normal rain of the calendar day", 0, 500),
        number(
            "normal_recorded_mm",
            "mm",
            "normal of what the total stands for; departures compare with this",
            0,
        ),
        number("departure_mm", "mm", "rain minus the normal of what the total stands for"),
        *RAIN_JUDGED,
        flag("bridged", "true where a later total includes what this day lost"),
        flag(
            "may_be_snow",
            (
                "true where rain came from an unheated gauge on a day at or below 0 degC in the "
                "mean; null where the temperature is not known"
            ),
        ),
        *RAIN_TO_DATE,
        PARTIAL,
        REASON,
    ),
)
