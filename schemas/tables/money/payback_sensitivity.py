"""What an operation's sum would be at other prices, responses and costs."""

from dataclasses import replace

from schemas.shared_columns import FIELD, PRACTICE, SEASON, completeness
from schemas.table import Compared, Table, Tier, day, flag, number, text

TABLE = Table(
    "payback_sensitivity",
    Tier.DERIVED,
    "the sum of one operation by its latest season if one of its inputs had been other",
    (
        FIELD,
        day("operation_day", "day of the operation that is to be paid", key=True),
        text(
            "input",
            "what is other: all prices, all responses, or the cost of the operation",
            key=True,
            one_of=("price", "response", "cost"),
        ),
        number("change_pct", "percent", "by how much it is other", -100, 100, key=True),
        replace(SEASON, key=False, required=True, meaning="latest season in the sum"),
        PRACTICE,
        number(
            "cumulative_net_per_ha",
            "currency/hectare",
            "all seasons' marginal net less the cost, with that change",
        ),
        number("difference_per_ha", "currency/hectare", "that less the sum as it is"),
        flag(
            "paid",
            "true where that sum has reached the cost; null where part of the cost is not known",
        ),
        *completeness("seasons counted as a share of the years since the operation"),
    ),
    compared=Compared.TOGETHER,
)
