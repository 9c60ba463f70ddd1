"""What one layer of soil held in a month: what the record's limits are told from."""

from schemas.shared_columns import DEPTH, FIELD, PROBE, STRIP, completeness
from schemas.table import Table, Tier, count, day, number

TABLE = Table(
    "soil_month",
    Tier.DERIVED,
    "the water content of one sensor of a probe in one month",
    (
        PROBE,
        DEPTH,
        FIELD,
        STRIP,
        day("day", "first day of the month", key=True),
        count("days", "days with a usable water content", required=True),
        number("median_pct", "percent", "median of the days' water content", 0, 100),
        number(
            "lowest_week_pct",
            "percent",
            "lowest water content that no day of a whole week, which ends in the month, was above",
            0,
            100,
        ),
        number(
            "highest_week_pct",
            "percent",
            "highest water content that no day of a whole week, which ends in the month, was below",
            0,
            100,
        ),
        *completeness("share of the days in the soil with a usable water content"),
    ),
)
