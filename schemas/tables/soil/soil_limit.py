"""Between which water contents a layer gives water to a crop."""

from schemas.shared_columns import DEPTH, FIELD, LIMITS, PARTIAL, PROBE, REASON, STRIP
from schemas.table import Table, Tier

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
