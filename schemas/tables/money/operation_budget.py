"""What an operation cost in all, and its own cost beside a custom rate."""

from schemas.shared_columns import (
    CONTRACT_COST,
    FIELD,
    WORK_DAY,
    WORK_PRACTICE,
    WORKED_STRIP,
    completeness,
)
from schemas.table import Table, Tier, number, text

TABLE = Table(
    "operation_budget",
    Tier.DERIVED,
    "one operation: its own cost beside the custom rate, and the cost over the strip and the field",
    (
        FIELD,
        WORKED_STRIP,
        WORK_DAY,
        WORK_PRACTICE,
        text(
            "taken",
            "which cost counts: the custom rate that was paid, or the farm's own fuel, machine and labour",
            one_of=("custom", "own"),
        ),
        number(
            "own_cost_per_ha",
            "currency/hectare",
            "own fuel, machine and labour; null where one of them is not known",
            0,
        ),
        number(
            "own_filled_per_ha",
            "currency/hectare",
            (
                "own cost with parts that the book lacks at published rates by tractor hour; null if none is "
                "lacking, or hours, area or currency do not fit; for comparison only"
            ),
            0,
        ),
        text("filled_from", "which parts are at published rates, with name and year"),
        number(
            "published_own_per_ha",
            "currency/hectare",
            "a published own cost of such work, in the farm's currency; for comparison only",
            0,
        ),
        text("published_own_from", "name and year of that cost"),
        CONTRACT_COST,
        number(
            "published_rate_per_ha",
            "currency/hectare",
            "a published custom rate for such work, in the farm's currency; for comparison only",
            0,
        ),
        text("published_from", "name and year of the survey that the rate is from"),
        number(
            "own_less_custom_per_ha",
            "currency/hectare",
            (
                "own cost (with published parts where the book lacks them) less the custom rate that was "
                "paid, else less the published one; negative: own is cheaper"
            ),
        ),
        number("worked_ha", "hectare", "area worked", 0, 100000),
        number("cost", "currency", "cost over the area worked", 0),
        number("field_ha", "hectare", "area of the field", 0, 100000),
        number("field_cost", "currency", "cost if the whole field were worked at that rate", 0),
        *completeness("share of fuel, machine and labour that is known; 1 for a contract rate"),
    ),
)
