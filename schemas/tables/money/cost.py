"""A cost of one season that the two strips may not share."""

from schemas.shared_columns import FIELD, NOTES, SEASON
from schemas.table import Table, Tier, number, text

TABLE = Table(
    "cost",
    Tier.SETUP,
    "one cost of one season on one strip, beside the operation itself",
    (
        FIELD,
        SEASON,
        text(
            "strip",
            "the strip that bears it; 'both' changes nothing between the strips",
            key=True,
        ),
        text("what", "what was paid for", key=True),
        text(
            "kind",
            "kind of cost",
            required=True,
            one_of=("seed", "fertiliser", "spray", "field work", "harvest", "drying", "other"),
        ),
        number(
            "cost_per_ha",
            "currency/hectare",
            "cost by area; a saving is negative",
            -1e6,
            1e6,
            required=True,
        ),
        NOTES,
    ),
)
