"""One strip of a trial in a field."""

from schemas.shared_columns import BOOK_STRIP, FIELD, NOTES, SIDES
from schemas.table import Table, Tier, number, text

TABLE = Table(
    "strip",
    Tier.SETUP,
    "one strip of the trial in a field",
    (
        FIELD,
        BOOK_STRIP,
        text(
            "role",
            "treated, or check: what treated strips are compared with; null for strips of these names",
            one_of=SIDES,
        ),
        text("practice", "the practice on it, where it is not the field's"),
        text(
            "against",
            "the strips it is compared with, ; between them; null for the only check of its field",
        ),
        number("width_m", "m", "width of the strip", 0, 5000),
        number("length_m", "m", "length of the strip", 0, 20000),
        text(
            "randomized",
            (
                "whether a coin decided which side is treated: no, once for the field (each field), or "
                "for each pair of passes (each block)"
            ),
            one_of=("no", "each field", "each block"),
        ),
        NOTES,
    ),
)
