"""A field of the farm."""

from schemas.shared_columns import FIELD, NOTES
from schemas.table import Table, Tier, number, text

TABLE = Table(
    "field",
    Tier.SETUP,
    "one field",
    (
        FIELD,
        number("area_ha", "hectare", "area of the field", 0, 100000),
        text("soil", "soil in the user's words"),
        text("soil_texture", "texture class, for handbook values where the record gives none"),
        text("practice", "the practice on trial in this field", required=True),
        NOTES,
    ),
)
