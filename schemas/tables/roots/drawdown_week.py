"""A week's uptake by depth."""

from schemas.table import Table, Tier, count, day, number, partial, reason, share, text

TABLE = Table(
    "drawdown_week",
    Tier.DERIVED,
    "one depth of one strip in one week of a season: its uptake over the days on which both strips have data",
    (
        text("field", "name of the field", key=True),
        count("season", "year of the harvest", low=1900, high=2200, key=True),
        text("strip", "side of the trial", key=True, one_of=("treated", "check")),
        number("depth_cm", "cm", "depth of the sensor", 0, 1000, key=True),
        day("week_starts", "the week's Monday", key=True),
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
        share("coverage", "days counted as a share of those"),
        partial(),
        reason(),
    ),
)
