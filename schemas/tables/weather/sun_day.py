"""A station's clock against the sun."""

from schemas.table import Table, Tier, day, number, partial, reason, share, text

TABLE = Table(
    "sun_day",
    Tier.DAILY,
    "one station on one day on which it reported radiation in steps of an hour or less",
    (
        text("station", "name of the station", key=True),
        day("day", "climatological day", key=True),
        number(
            "noon_error_h",
            "hour",
            "centre of the day's radiation by the station's clock minus the sun's noon; above zero where the clock is fast; null where the day does not tell it",
            -12,
            12,
        ),
        number(
            "clearness",
            "1",
            "the day's radiation as a share of what comes in at the top of the atmosphere",
            0,
            2,
        ),
        share("coverage", "share of the day that readings of radiation cover"),
        partial(),
        reason(),
    ),
)
