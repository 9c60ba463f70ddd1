"""A week's uptake by depth."""

from schemas.shared_columns import DEPTH, FIELD, SEASON, STRIP, WEEK_STARTS, completeness
from schemas.table import Compared, Table, Tier, count, number

TABLE = Table(
    "drawdown_week",
    Tier.DERIVED,
    "one depth of one strip in one week of a season: its uptake over the days on which both strips have data",
    (
        FIELD,
        SEASON,
        STRIP,
        DEPTH,
        WEEK_STARTS,
        number("uptake_mm", "mm", "uptake summed over the days counted", -1000, 1000),
        number(
            "uptake_error_mm",
            "mm",
            "standard error of the sum, the days' errors taken as independent",
            0,
            1000,
        ),
        count("days", "days counted: both strips have an uptake at this depth", high=7),
        count("days_week", "days of the week on which the crop stood", low=1, high=7),
        *completeness("days counted as a share of those"),
    ),
    compared=Compared.ALONE,
)
