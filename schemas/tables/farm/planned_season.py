"""A crop that is planned for a field, with the yield and price expected."""

from schemas.shared_columns import FIELD, NOTES, PRICE_RANGE, SEASON
from schemas.table import Table, Tier, number, text

TABLE = Table(
    "planned_season",
    Tier.SETUP,
    "one crop planned for one field, with the yield and the price expected",
    (
        FIELD,
        SEASON,
        text("crop", "crop, a name of the crop list", required=True),
        number("yield_kg_ha", "kg/ha", "yield expected without the practice", 0, 30000),
        number("price_per_kg", "currency/kg", "price thought most likely", 0, 1000),
        *PRICE_RANGE,
        text("price_as_written", "that price with its unit as the book has it"),
        text(
            "work_before",
            "whether the practice is to be done again before this crop; null while undecided",
            one_of=("yes", "no"),
        ),
        NOTES,
    ),
)
