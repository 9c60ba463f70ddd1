"""Between which water contents a layer gives water to a crop."""

from schemas.shared_columns import DEPTH, FIELD, PARTIAL, PROBE, REASON, STRIP
from schemas.table import Table, Tier, count, number, text

LIMITS = (
    number(
        "drained_upper_limit_pct",
        "percent",
        "water content at which free drainage after a wetting has ended",
        0,
        100,
    ),
    text(
        "drained_upper_limit_from",
        "where the drained upper limit comes from",
        one_of=("given", "record", "highest seen"),
    ),
    count(
        "wettings",
        (
            "wettings with free drainage after them that stand behind the drained upper limit; 10 "
            "for ten or more"
        ),
    ),
    number("lower_limit_pct", "percent", "lowest sustained water content of the layer", 0, 100),
    text("lower_limit_from", "where the lower limit comes from", one_of=("given", "record")),
)

TABLE = Table(
    "soil_limit",
    Tier.DERIVED,
    "the limits of the soil layer of one sensor of a probe at one place",
    (
        PROBE,
        DEPTH,
        FIELD,
        STRIP,
        *LIMITS,
        PARTIAL,
        REASON,
    ),
)
