"""A stretch of unbroken rain within a day."""

from schemas.shared_columns import DAY, STATION
from schemas.table import Table, Tier, number, time

TABLE = Table(
    "rain_spell",
    Tier.DAILY,
    "one stretch of unbroken rain at one station, cut at the day's border",
    (
        STATION,
        DAY,
        time("began", "start of the first interval with rain", key=True),
        time("ended", "end of the last interval with rain", required=True),
        number("rain_mm", "mm", "rain of the spell", 0, required=True),
        number(
            "step_h",
            "hour",
            "longest interval that a value of the spell stands for: its times are known to this",
            0,
            required=True,
        ),
    ),
)
