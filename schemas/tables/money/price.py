"""What a crop was sold for."""

from schemas.shared_columns import NOTES, PRICE_RANGE, SEASON
from schemas.table import Table, Tier, number, text

TABLE = Table(
    "price",
    Tier.SETUP,
    "the price of one crop in one season, for one field or the whole farm",
    (
        text("field", "name of the field; 'all' where the price holds for the farm", key=True),
        text("crop", "crop, a name of the crop list", key=True),
        SEASON,
        number(
            "price_per_kg",
            "currency/kg",
            "price by mass at market moisture",
            0,
            1000,
            required=True,
        ),
        *PRICE_RANGE,
        number(
            "protein_premium_per_kg",
            "currency/kg",
            "added to the price for each percentage point of protein",
            0,
            1000,
        ),
        text("price_as_written", "the price with its unit as the book has it", required=True),
        NOTES,
    ),
)
