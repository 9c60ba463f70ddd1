"""A station's clock against the sun."""

from schemas.shared_columns import DAY, STATION, completeness
from schemas.table import Table, Tier, number, share

TABLE = Table(
    "sun_day",
    Tier.DAILY,
    "one station on one day on which it reported radiation in steps of an hour or less",
    (
        STATION,
        DAY,
        number(
            "noon_error_h",
            "hour",
            (
                "center of the day's radiation by the station's clock minus the sun's noon; above "
                "zero where the clock is fast; null where the day does not tell it"
            ),
            -12,
            12,
        ),
        share(
            "clearness",
            "the day's radiation as a share of what comes in at the top of the atmosphere",
            low=0,
            high=2,
        ),
        *completeness("share of the day that readings of radiation cover"),
    ),
)
