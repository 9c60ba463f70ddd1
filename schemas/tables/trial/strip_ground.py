"""What maps of the ground say of each strip."""

from schemas.shared_columns import BOOK_STRIP, FIELD, GROUND_MAP, SEASON, completeness
from schemas.table import Table, Tier, count, number

TABLE = Table(
    "strip_ground",
    Tier.DERIVED,
    "what one map of the ground (elevation, soil, ...) says of a strip in one season",
    (
        FIELD,
        SEASON,
        BOOK_STRIP,
        GROUND_MAP,
        number("mean", "1", "mean of the map's values in the strip, in the map's own unit"),
        number(
            "spread", "1", "standard deviation of them: how much the strip differs in itself", 0
        ),
        count("points", "places of the grid with a value", required=True),
        *completeness("places with a value as a share of those in the strip's outlines"),
    ),
)
