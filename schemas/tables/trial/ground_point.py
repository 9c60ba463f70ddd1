"""A value of a map of the ground, at a place in a strip."""

from schemas.shared_columns import BOOK_STRIP, GROUND_MAP, LATITUDE, LONGITUDE
from schemas.table import Table, Tier, count, number, text

TABLE = Table(
    "ground_point",
    Tier.SETUP,
    "the value of a map of the ground (elevation, soil, ...) at one place of a grid in a strip",
    (
        text("field", "name of the field as the outline has it", key=True),
        BOOK_STRIP,
        count("part", "number of the outline in its strip, from 1", low=1, key=True),
        GROUND_MAP,
        count("point", "place of the grid in the outline, from 1", low=1, key=True),
        LONGITUDE,
        LATITUDE,
        number(
            "value", "1", "the map's value there, in the map's own unit; null where it has none"
        ),
    ),
)
