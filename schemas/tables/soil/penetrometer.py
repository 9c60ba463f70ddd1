"""Penetrometer readings."""

from schemas.shared_columns import BOOK_STRIP, FIELD, NOTES
from schemas.table import Table, Tier, day, number, text

TABLE = Table(
    "penetrometer",
    Tier.SETUP,
    "one push of a penetrometer at one place and depth",
    (
        FIELD,
        BOOK_STRIP,
        day("day", "day of the push", key=True),
        text("place", "number or name of the place within the strip", key=True),
        number("depth_cm", "cm", "depth of the cone", 0, 200, key=True),
        number("cone_index_mpa", "MPa", "cone index", 0, 20, required=True),
        NOTES,
    ),
)
