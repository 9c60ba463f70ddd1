"""Values of an instrument that must not be used."""

from schemas.quantity_groups import WORDS
from schemas.shared_columns import INSTRUMENT, KIND_OF_INSTRUMENT
from schemas.table import Table, Tier, day, number, text

TABLE = Table(
    "do_not_use",
    Tier.SETUP,
    "one span of days of an instrument that must not be used, from the field book",
    (
        KIND_OF_INSTRUMENT,
        INSTRUMENT,
        text("what", "what of it: all, a quantity, a depth, or both", key=True),
        day("from_day", "first day that is not used", key=True),
        day("to_day", "last day that is not used; null while it lasts"),
        text("quantity", "the quantity; null for all of them", one_of=WORDS),
        number("depth_cm", "cm", "the depth of the sensor; null for all of them", 0, 1000),
        text("why", "why it must not be used", required=True),
    ),
)
