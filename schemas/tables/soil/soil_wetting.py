"""Wettings of a layer after which it came to rest: what its drained upper limit is told from."""

from schemas.shared_columns import DEPTH, FIELD, PROBE, STRIP
from schemas.table import Table, Tier, day, number

TABLE = Table(
    "soil_wetting",
    Tier.DERIVED,
    "one wetting of the soil layer of one sensor, after which free drainage came to an end",
    (
        PROBE,
        DEPTH,
        FIELD,
        STRIP,
        day("day", "day on which the water content was highest", key=True),
        day("rest_day", "first day on which it hardly fell any more", required=True),
        number("rest_pct", "percent", "water content at rest, mean of that day", 0, 100),
    ),
)
