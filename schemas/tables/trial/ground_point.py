"""A value of a map of the ground, at a place in a strip."""

from schemas.shared_columns import BOOK_STRIP
from schemas.table import Table, Tier, count, number, text

TABLE = Table(
    "ground_point",
    Tier.SETUP,
    "the value of a map of the ground (elevation, soil, ...) at one place of a grid in a strip",
    (
        text("field", "name of the field as the outline has it", key=True),
        BOOK_STRIP,
        count("part", "number of the outline in its strip, from 1", low=1, key=True),
        text("ground_map", "name of the map's file, without its ending", key=True),
        count("point", "place of the grid in the outline, from 1", low=1, key=True),
        number("longitude_deg", "degree", "longitude in WGS 84", -180, 180, required=True),
        number("latitude_deg", "degree", "latitude in WGS 84", -90, 90, required=True),
        number(
            "value", "1", "the map's value there, in the map's own unit; null where it has none"
        ),
    ),
)
