"""Penetrometer readings."""

from schemas.table import Table, Tier, day, number, text

TABLE = Table(
    "penetrometer",
    Tier.SETUP,
    "one push of a penetrometer at one place and depth",
    (
        text("field", "name of the field", key=True),
        text("strip", "the side", key=True, one_of=("treated", "check")),
        day("day", "day of the push", key=True),
        text("place", "number or name of the place within the strip", key=True),
        number("depth_cm", "cm", "depth of the cone", 0, 200, key=True),
        number("cone_index_mpa", "MPa", "cone index", 0, 20, required=True),
        text("notes", "the user's notes"),
    ),
)
