"""What the user saw."""

from schemas.table import Table, Tier, day, text

TABLE = Table(
    "note",
    Tier.SETUP,
    "one dated note of the user",
    (
        text("field", "name of the field; 'all' where it is of the farm", key=True),
        day("day", "day that it is of", key=True),
        text("note", "what was noted", key=True),
        text("strip", "the strip, where it is of one"),
    ),
)
