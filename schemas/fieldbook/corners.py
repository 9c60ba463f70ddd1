"""The field book: corners of fields, for a plan of the strips."""

from schemas.fieldbook.parts import NOTES_COLUMN, Sheet, field_name, number

CORNERS = Sheet(
    "corners",
    "field_corner",
    (
        "One row a corner of a field, in order around it: where 'checkstrip plan' may lay strips. Read "
        "them off a phone or a map. An outline in yieldmaps/ does the same."
    ),
    (
        field_name(),
        number(
            "corner",
            "corner",
            "number of the corner, in order around the field",
            ("", ""),
            ("1", "1"),
            ("number", "point"),
            unit="dimensionless",
            must=True,
        ),
        number(
            "latitude",
            "latitude_deg",
            "latitude in degrees (WGS 84); south of the equator negative",
            ("", ""),
            ("49.5203", "49.5203"),
            ("lat",),
            unit="degree",
            must=True,
        ),
        number(
            "longitude",
            "longitude_deg",
            "longitude in degrees (WGS 84); west of Greenwich negative",
            ("", ""),
            ("-98.0101", "-98.0101"),
            ("lon", "long", "lng"),
            unit="degree",
            must=True,
        ),
        NOTES_COLUMN,
    ),
    ("outline", "outlines", "field corners"),
)
