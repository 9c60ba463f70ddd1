"""What the practice should earn in a planned crop, at the prices and the yield planned."""

from schemas.shared_columns import (
    CROP,
    FIELD,
    PRACTICE,
    PRICE_RANGE,
    SEASON,
    completeness,
    interval,
)
from schemas.table import Compared, Table, Tier, count, day, number

TABLE = Table(
    "planned_value",
    Tier.DERIVED,
    "one planned crop in one field: what the last working, and a new one, should earn in it",
    (
        FIELD,
        SEASON,
        CROP,
        PRACTICE,
        number("yield_kg_ha", "kg/ha", "yield planned without the practice", 0, 30000),
        number("price_per_kg", "currency/kg", "price thought most likely", 0, 1000),
        *PRICE_RANGE,
        day("operation_day", "the last operation on the treated strip; null where there was none"),
        count("years_since", "harvests since that operation by the planned one", low=1),
        number(
            "standing_kg_ha",
            "kg/ha",
            "response to expect from that operation: the farm's fitted line, in percent, times the yield",
        ),
        number("standing_per_ha", "currency/hectare", "its value at the likely price"),
        *interval(
            "standing",
            "currency/hectare",
            "its 95 % interval, of the line's mean and the price; single seasons scatter more",
        ),
        number(
            "fresh_kg_ha", "kg/ha", "response to expect in the first season after a new working"
        ),
        number("fresh_per_ha", "currency/hectare", "its value at the likely price"),
        *interval("fresh", "currency/hectare", "its 95 % interval, in the same way"),
        number("cost_per_ha", "currency/hectare", "cost of a working: mean of those on record", 0),
        number(
            "first_season_per_ha",
            "currency/hectare",
            "value after a new working less the value without it, in this one season, before its cost",
        ),
        *completeness("share known of yield, price and the response to expect"),
    ),
    compared=Compared.TOGETHER,
)
