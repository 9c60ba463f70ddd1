"""Rain against normal, month by month."""

from schemas.shared_columns import (
    BY_HAND,
    MONTH,
    PARTIAL,
    RAIN_TO_DATE,
    REASON,
    STATION,
    STRIP_STOOD_IN,
)
from schemas.table import Table, Tier, count, coverage, flag, number, text

TABLE = Table(
    "rain_month",
    Tier.DERIVED,
    (
        "rain at one station in one calendar month; columns to date are as of the month's last day "
        "in the record, those of the season as of its last day in the month"
    ),
    (
        STATION,
        count("year", "calendar year", low=1800, high=2200, key=True),
        MONTH,
        text("field", "field that the station stood in; null where that changed within the month"),
        STRIP_STOOD_IN,
        number("rain_mm", "mm", "rain that was recorded", 0),
        number("normal_mm", "mm", "normal rain of the whole month", 0),
        number("normal_recorded_mm", "mm", "normal of the days that were recorded", 0),
        number("departure_mm", "mm", "rain minus the normal of the days that were recorded"),
        number("of_normal_pct", "percent", "rain in percent of the normal of the same days", 0),
        count("month_days", "days of the month", low=28, high=31),
        count(
            "days_whole", "days recorded whole, those that a later total bridges included", high=31
        ),
        coverage("share of the month that was recorded; bridged days count"),
        count("doubtful_d", "days with rain that is kept but hard to believe", high=31),
        BY_HAND,
        number("may_be_snow_mm", "mm", "part of the rain that may have been snow", 0),
        flag("may_be_snow", "true where part of the rain may have been snow"),
        *RAIN_TO_DATE,
        PARTIAL,
        REASON,
    ),
)
