"""What the layer at the surface lost on bare days, beside what evaporates: crop year by crop year."""

from schemas.shared_columns import DEPTH, FIELD
from schemas.table import Compared, Table, Tier, count, day, number

TABLE = Table(
    "evaporation_bare",
    Tier.DERIVED,
    "the bare days from one harvest of a field to the next, at the depth of a topmost sensor",
    (
        FIELD,
        DEPTH,
        day("day", "first of the days", key=True),
        count("days", "days of both strips on which no crop stood and only evaporation took water"),
        number("fall_mm", "mm", "fall in the layers' storage on them"),
        number("evaporation_mm", "mm", "evaporation from the soil on them", 0),
    ),
    compared=Compared.ALONE,
)
