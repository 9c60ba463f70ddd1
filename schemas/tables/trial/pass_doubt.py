"""Passes of the field book that look wrong."""

from schemas.shared_columns import BOOK_STRIP, FIELD, SEASON
from schemas.table import Table, Tier, text

TABLE = Table(
    "pass_doubt",
    Tier.DERIVED,
    "a pass of the field book that looks wrong, and why",
    (
        FIELD,
        SEASON,
        BOOK_STRIP,
        text("pass", "number or name of the pass within its strip", key=True),
        text("method", "how it was measured", key=True),
        text("doubt", "what looks wrong", required=True),
    ),
)
