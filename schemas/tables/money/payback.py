"""The money of a site-year, and what it adds up to."""

from schemas.shared_columns import (
    CROP,
    FIELD,
    PRACTICE,
    SEASON,
    YEARS_SINCE,
    completeness,
    interval,
)
from schemas.table import Compared, Table, Tier, chance, count, day, flag, number, text

TABLE = Table(
    "payback",
    Tier.DERIVED,
    "one season after an operation in one field: its money, and the sum from the operation to its end",
    (
        FIELD,
        day("operation_day", "day of the operation that is to be paid", key=True),
        SEASON,
        CROP,
        PRACTICE,
        YEARS_SINCE,
        number("cost_per_ha", "currency/hectare", "all-in cost of the operation", 0),
        flag("cost_partial", "true where part of that cost is not known, so that it is too low"),
        number("response_kg_ha", "kg/ha", "treated minus check yield of the season"),
        number("price_per_kg", "currency/kg", "price of the season", 0),
        number("season_value_per_ha", "currency/hectare", "response times price"),
        number(
            "season_extra_cost_per_ha",
            "currency/hectare",
            (
                "costs of the season on the treated strip less those on the check, as the book has "
                "them; 0 where it has none"
            ),
        ),
        number(
            "protein_difference_pct",
            "percent",
            "protein of the treated strip less the check's, in percentage points; null without two passes each",
        ),
        number(
            "season_quality_value_per_ha",
            "currency/hectare",
            "what that difference earns at the protein premium; null without premium or protein",
        ),
        number(
            "season_net_per_ha",
            "currency/hectare",
            "season's value and that of its protein less its extra costs",
        ),
        number(
            "season_net_se_per_ha",
            "currency/hectare",
            "its standard error, from the response's and the price's",
            0,
        ),
        day("earlier_day", "day of the work before, where the operation is a repeat; else null"),
        number(
            "earlier_kg_ha",
            "kg/ha",
            (
                "response that the work before a repeat would still have given this season: the mean of "
                "what its fade allows, by the seasons after first workings; null after a first working"
            ),
        ),
        *interval("earlier", "kg/ha"),
        number(
            "marginal_net_per_ha",
            "currency/hectare",
            (
                "season's net less the value of what the work before a repeat would still have given; "
                "after a first working the season's net"
            ),
        ),
        number("season_net_df", "1", "degrees of freedom of that error; null where unlimited", 0),
        number(
            "cumulative_net_per_ha",
            "currency/hectare",
            "all seasons' marginal net since the operation less its cost",
        ),
        *interval("cumulative", "currency/hectare"),
        number(
            "worked_ha", "hectare", "area worked in the operation, as the book has it", 0, 100000
        ),
        number(
            "cumulative_net",
            "currency",
            "that sum over the area worked; what the same work would earn elsewhere is not in it",
        ),
        *interval("cumulative", "currency"),
        flag("paid", "true where the sum has reached the cost by the end of this season"),
        count("payback_season", "the season in which it first did", low=1900, high=2200),
        chance(
            "paid_chance",
            (
                "probability that the sum has truly reached the cost, from the errors of the "
                "responses and the spread of the prices; where the farm has several fields, each "
                "response is drawn toward what all of them show"
            ),
        ),
        text(
            "verdict",
            (
                "whether it has paid, by that probability: paid from 0.95 on, probably paid from 0.8 on, "
                "probably not up to 0.2, not paid up to 0.05; a partial cost never says that it paid"
            ),
            one_of=("paid", "probably paid", "cannot tell yet", "probably not", "not paid"),
        ),
        text(
            "repeat_adds",
            (
                "whether a repeat has earned anything, before its cost, beyond what the work before it "
                "would still have given; null after a first working"
            ),
            one_of=("adds", "not shown", "takes away"),
        ),
        number(
            "breakeven_response_kg_ha",
            "kg/ha",
            (
                "response by season that would just have paid by now at the prices had; after a repeat "
                "that beyond what the work before would have given"
            ),
        ),
        number(
            "breakeven_price_per_kg",
            "currency/kg",
            "price that would just have paid by now at the responses had; null where they add up to none",
            0,
        ),
        number(
            "npv_per_ha",
            "currency/hectare",
            "net present value on the day of the work, a season's money counted at its year's end",
        ),
        number("discount_rate_pct", "percent", "yearly rate behind it", 0, 50),
        number(
            "irr_pct", "percent", "internal rate of return by year; null where there is none", -100
        ),
        *completeness("seasons counted as a share of the years since the operation"),
    ),
    compared=Compared.TOGETHER,
)
