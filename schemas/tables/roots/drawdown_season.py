"""A season's uptake by depth."""

from schemas.table import Table, Tier, count, day, number, partial, reason, share, text

TABLE = Table(
    "drawdown_season",
    Tier.DERIVED,
    "one depth of one strip in one season: its uptake over the days on which both strips have data",
    (
        text("field", "name of the field", key=True),
        count("season", "year of the harvest", low=1900, high=2200, key=True),
        text("strip", "side of the trial", key=True, one_of=("treated", "check")),
        number("depth_cm", "cm", "depth of the sensor", 0, 1000, key=True),
        text("crop", "crop of the season"),
        number("layer_top_cm", "cm", "top of the layer", 0, 1000),
        number("layer_bottom_cm", "cm", "bottom of the layer", 0, 2000),
        number("uptake_mm", "mm", "uptake summed over the days counted", -1000, 5000),
        number("uptake_error_mm", "mm", "standard error of the sum", 0, 1000),
        number(
            "uptake_share",
            "1",
            "the depth's share of the uptake of all depths of the strip, over the days on which both strips have all their depths",
            -10,
            10,
        ),
        count("days", "days counted: both strips have an uptake at this depth"),
        count(
            "days_season", "days from emergence (or seeding) to harvest, or to the last day known"
        ),
        count("days_share", "days behind the share: every depth in both strips"),
        text(
            "method",
            "how the uptake was made, on most of the days counted",
            one_of=("day-night", "balance"),
        ),
        day("first_day", "first day counted"),
        day("last_day", "last day counted"),
        share("coverage", "days counted as a share of the season's days"),
        partial(),
        reason(),
    ),
)
