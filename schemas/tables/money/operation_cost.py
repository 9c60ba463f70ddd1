"""What an operation cost, all in."""

from schemas.table import Table, Tier, day, number, partial, reason, share, text

TABLE = Table(
    "operation_cost",
    Tier.DERIVED,
    "the all-in cost by area of one operation",
    (
        text("field", "name of the field", key=True),
        text("strip", "the side that was worked", key=True, one_of=("treated", "check")),
        day("day", "day of the work", key=True),
        text("practice", "what was done", key=True),
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
        number(
            "contract_cost_per_ha",
            "currency/hectare",
            "contract rate; where it is given it stands for fuel, machine and labour",
            0,
        ),
        number("other_cost_per_ha", "currency/hectare", "any other cost", 0),
        number("cost_per_ha", "currency/hectare", "all in: the sum of what is known", 0),
        share("coverage", "share of fuel, machine and labour that is known; 1 for a contract rate"),
        partial(),
        reason(),
    ),
)
