"""One side of a trial in a field."""

from schemas.table import Table, Tier, number, text

TABLE = Table(
    "strip",
    Tier.SETUP,
    "one strip: a side of the trial in a field",
    (
        text("field", "name of the field", key=True),
        text("strip", "the side", key=True, one_of=("treated", "check")),
        number("width_m", "m", "width of the strip", 0, 5000),
        number("length_m", "m", "length of the strip", 0, 20000),
        text("notes", "the user's notes"),
    ),
)
