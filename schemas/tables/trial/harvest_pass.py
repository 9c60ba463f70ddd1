"""One combine pass as the field book has it: weighed, or read off a yield map by hand."""

from schemas.shared_columns import BOOK_STRIP, FIELD, NOTES, PROTEIN, SEASON, TEST_WEIGHT
from schemas.table import Table, Tier, day, flag, number, text

TABLE = Table(
    "harvest_pass",
    Tier.SETUP,
    "one combine pass inside a strip, as the field book has it",
    (
        FIELD,
        SEASON,
        BOOK_STRIP,
        text("pass", "number or name of the pass within its strip", key=True),
        text("method", "how it was measured", key=True, one_of=("scale wagon", "yield map")),
        text(
            "block",
            "passes of the two strips with the same block are compared; the pass's own name where the book gives none",
            required=True,
        ),
        day("day", "day of the harvest of this pass"),
        number("mass_kg", "kg", "mass of grain as it came off the field, wet", 0, 1e6),
        number("length_m", "m", "length cut", 0, 20000),
        number("width_m", "m", "width cut", 0, 60),
        number(
            "yield_kg_ha",
            "kg/ha",
            "yield as written, at the moisture written beside it, where the book gives no mass",
            0,
            60000,
        ),
        number("moisture_pct", "percent", "moisture of the grain, wet basis", 0, 60),
        TEST_WEIGHT,
        PROTEIN,
        flag("left_out", "true where the user says that the pass must not count", required=True),
        text("why_left_out", "why it must not count"),
        NOTES,
    ),
)
