"""A season's uptake by depth."""

from schemas.shared_columns import CROP, DEPTH, FIELD, SEASON, STRIP, UPTAKE_METHODS, completeness
from schemas.table import Compared, Table, Tier, count, day, number, share, text

TABLE = Table(
    "drawdown_season",
    Tier.DERIVED,
    "one depth of one strip in one season: its uptake over the days on which both strips have data",
    (
        FIELD,
        SEASON,
        STRIP,
        DEPTH,
        CROP,
        number("layer_top_cm", "cm", "top of the layer", 0, 1000),
        number("layer_bottom_cm", "cm", "bottom of the layer", 0, 2000),
        number("uptake_mm", "mm", "uptake summed over the days counted", -1000, 5000),
        number("uptake_error_mm", "mm", "standard error of the sum", 0, 1000),
        number(
            "evaporation_mm",
            "mm",
            "evaporation from the soil taken off the sum; null where none was taken off",
            0,
            5000,
        ),
        share(
            "uptake_share",
            (
                "the depth's share of the uptake of the strip's depths that are shown together; "
                "their shares are 1 together"
            ),
            low=-10,
            high=10,
        ),
        count(
            "days",
            (
                "days counted: every depth that has a share has an uptake in both strips; for a depth "
                "without a share, days on which both strips have an uptake at it"
            ),
        ),
        count(
            "days_season", "days from emergence (or seeding) to harvest, or to the last day known"
        ),
        count("days_share", "days behind the share; 0 where there is none"),
        text(
            "method", "how the uptake was made, on most of the days counted", one_of=UPTAKE_METHODS
        ),
        day("first_day", "first day counted"),
        day("last_day", "last day counted"),
        *completeness("days counted as a share of the season's days"),
    ),
    compared=Compared.ALONE,
)
