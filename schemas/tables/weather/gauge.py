"""Rain read by hand."""

from schemas.shared_columns import NOTES
from schemas.table import Table, Tier, count, day, number, text

TABLE = Table(
    "gauge",
    Tier.SETUP,
    "one reading of a rain gauge that is read by hand, from the field book",
    (
        text(
            "kind",
            "what it stands at: a field (and all its stations) or one station",
            key=True,
            one_of=("field", "station"),
        ),
        text("place", "name of the field or station", key=True),
        day(
            "read_day",
            "day as written: that of the rain, or of the reading if it has an hour",
            key=True,
        ),
        number("rain_mm", "mm", "rain that was in the gauge", 0, 2000, required=True),
        number(
            "read_at_h",
            "hour",
            "hour of the reading in standard time; null where the day is that of the rain",
            0,
            24,
        ),
        count(
            "over_d", "days that the rain fell in, the last included; null for one", low=1, high=366
        ),
        NOTES,
    ),
)
