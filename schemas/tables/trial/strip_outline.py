"""The outline of a strip on the map."""

from schemas.shared_columns import BOOK_STRIP
from schemas.table import Table, Tier, text

TABLE = Table(
    "strip_outline",
    Tier.SETUP,
    "the outline of one strip, from a GeoJSON file",
    (
        text("field", "name of the field as the file has it", key=True),
        BOOK_STRIP,
        text(
            "outline",
            "polygon or multipolygon as well-known text, longitude and latitude in WGS 84",
            required=True,
        ),
    ),
)
