"""A corner of a field's outline."""

from schemas.shared_columns import FIELD, LATITUDE, LONGITUDE, NOTES
from schemas.table import Table, Tier, count

TABLE = Table(
    "field_corner",
    Tier.SETUP,
    "a corner of a field, in order around it: where a plan may lay strips",
    (
        FIELD,
        count("corner", "number of the corner, in order around the field", low=0, key=True),
        LATITUDE,
        LONGITUDE,
        NOTES,
    ),
)
