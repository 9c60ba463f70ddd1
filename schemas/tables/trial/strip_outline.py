"""The outline of a strip on the map."""

from schemas.table import Table, Tier, text

TABLE = Table(
    "strip_outline",
    Tier.SETUP,
    "the outline of one strip, from a GeoJSON file",
    (
        text("field", "name of the field as the file has it", key=True),
        text("strip", "the side", key=True, one_of=("treated", "check")),
        text(
            "outline",
            "polygon or multipolygon as well-known text, longitude and latitude in WGS 84",
            required=True,
        ),
    ),
)
