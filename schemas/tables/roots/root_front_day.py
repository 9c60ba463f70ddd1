"""How deep the roots are, day by day."""

from schemas.shared_columns import DAY, FIELD, SEASON, STRIP, completeness
from schemas.table import Compared, Table, Tier, count, flag, number

TABLE = Table(
    "root_front_day",
    Tier.DERIVED,
    "the root front of one strip on one day of a season",
    (
        FIELD,
        SEASON,
        STRIP,
        DAY,
        number(
            "front_cm",
            "cm",
            (
                "depth of the front, straight between the days on which it passed the sensors, "
                "from the surface at emergence"
            ),
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
        *completeness("depths of the strip at which something is known, as a share of all"),
    ),
    compared=Compared.ALONE,
)
