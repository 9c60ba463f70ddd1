"""One side of a trial in a field."""

from schemas.shared_columns import BOOK_STRIP, FIELD, NOTES
from schemas.table import Table, Tier, number

TABLE = Table(
    "strip",
    Tier.SETUP,
    "one strip: a side of the trial in a field",
    (
        FIELD,
        BOOK_STRIP,
        number("width_m", "m", "width of the strip", 0, 5000),
        number("length_m", "m", "length of the strip", 0, 20000),
        NOTES,
    ),
)
