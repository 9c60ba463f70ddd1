"""How deep the roots are, day by day."""

from schemas.table import Table, Tier, count, day, flag, number, partial, reason, share, text

TABLE = Table(
    "root_front_day",
    Tier.DERIVED,
    "the root front of one strip on one day of a season",
    (
        text("field", "name of the field", key=True),
        count("season", "year of the harvest", low=1900, high=2200, key=True),
        text("strip", "side of the trial", key=True, one_of=("treated", "check")),
        day("day", "climatological day", key=True),
        number(
            "front_cm",
            "cm",
            "depth of the front, straight between the days on which it passed the sensors, from the surface at emergence",
            0,
            1000,
        ),
        number("front_low_cm", "cm", "shallowest front that the intervals allow", 0, 1000),
        number(
            "front_high_cm",
            "cm",
            "deepest front that the intervals allow; null where nothing bounds it",
            0,
            1000,
        ),
        flag(
            "deepest_passed",
            "true from the day on which it passed the deepest depth seen: it may be deeper than front_cm",
        ),
        count("depths", "depths at which an arrival stands behind the front", low=0),
        share("coverage", "depths of the strip at which something is known, as a share of all"),
        partial(),
        reason(),
    ),
)
