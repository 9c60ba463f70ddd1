"""What an operation cost, all in."""

from schemas.shared_columns import (
    CONTRACT_COST,
    FIELD,
    WORK_DAY,
    WORK_PRACTICE,
    WORKED_STRIP,
    completeness,
)
from schemas.table import Table, Tier, number

TABLE = Table(
    "operation_cost",
    Tier.DERIVED,
    "the all-in cost by area of one operation",
    (
        FIELD,
        WORKED_STRIP,
        WORK_DAY,
        WORK_PRACTICE,
        number("fuel_cost_per_ha", "currency/hectare", "fuel burnt by area times its price", 0),
        number(
            "machine_cost_per_ha",
            "currency/hectare",
            "machine cost: by area, or tractor hours by area times the rate by hour, or both",
            0,
        ),
        number(
            "labour_cost_per_ha",
            "currency/hectare",
            "labour: by area, or tractor hours by area times the rate by hour, or both",
            0,
        ),
        CONTRACT_COST,
        number("other_cost_per_ha", "currency/hectare", "any other cost", 0),
        number("cost_per_ha", "currency/hectare", "all in: the sum of what is known", 0),
        *completeness("share of fuel, machine and labour that is known; 1 for a contract rate"),
    ),
)
