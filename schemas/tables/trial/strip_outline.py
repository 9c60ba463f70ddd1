"""The outline of a strip on the map."""

from schemas.shared_columns import BOOK_STRIP
from schemas.table import Table, Tier, count, text

TABLE = Table(
    "strip_outline",
    Tier.SETUP,
    "the outline of a strip or of one block of it, from a GeoJSON file",
    (
        text("field", "name of the field as the file has it", key=True),
        BOOK_STRIP,
        count("part", "number of the outline in its strip, from 1", low=1, key=True),
        count(
            "season",
            "year of the harvest that it stands for; null: all that have none of their own",
            low=1900,
            high=2200,
        ),
        text("block", "the block that it is, where the file says; blocks are compared"),
        text(
            "outline",
            (
                "polygon, or multipolygon of several of one strip, season and block, as well-known "
                "text, longitude and latitude in WGS 84"
            ),
            required=True,
        ),
    ),
)
