"""A field of the farm."""

from schemas.table import Table, Tier, number, text

TABLE = Table(
    "field",
    Tier.SETUP,
    "one field",
    (
        text("field", "name of the field", key=True),
        number("area_ha", "hectare", "area of the field", 0, 100000),
        text("soil", "soil in the user's words"),
        text("soil_texture", "texture class, for handbook values where the record gives none"),
        text("practice", "the practice on trial in this field", required=True),
        text("notes", "the user's notes"),
    ),
)
