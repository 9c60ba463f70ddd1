"""Water that was put on a field or one of its strips."""

from schemas.shared_columns import FIELD, NOTES
from schemas.table import Table, Tier, day, number, text

TABLE = Table(
    "irrigation",
    Tier.SETUP,
    "one irrigation of a field or one of its strips, from the field book",
    (
        FIELD,
        text(
            "strip",
            "the strip that was irrigated; both for the whole field",
            key=True,
        ),
        day("day", "day of the irrigation", key=True),
        text("part", "which one, where there were several in one day", key=True),
        number(
            "amount_mm",
            "mm",
            (
                "depth of water applied; a volume over the irrigated area. Null where the amount is "
                "not known"
            ),
            0,
            1000,
        ),
        number("volume_m3", "m^3", "volume of water applied, where it was given", 0, 1e7),
        number("area_ha", "hectare", "area that the volume was put on", 0.0001, 100000),
        text("source", "where the water came from, in the user's words"),
        NOTES,
    ),
)
