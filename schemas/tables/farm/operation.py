"""One dated pass of a practice on a strip: how it was done and what it cost."""

from dataclasses import replace

from schemas.shared_columns import (
    CONTRACT_COST,
    FIELD,
    NOTES,
    WORK_DAY,
    WORK_DEPTH,
    WORK_DRAFT,
    WORK_SPEED,
    WORKED_STRIP,
)
from schemas.table import Table, Tier, number, text

TABLE = Table(
    "operation",
    Tier.SETUP,
    "one dated pass of a practice on one strip of a field, from the field book",
    (
        FIELD,
        WORKED_STRIP,
        WORK_DAY,
        text("practice", "what was done, for example deep tillage", key=True),
        text(
            "counts_for",
            (
                "the crop that work between seeding and harvest counts for; null: as another row of the "
                "practice says, else the next crop"
            ),
            one_of=("standing crop", "next crop"),
        ),
        text("implement", "kind of implement, in the user's words"),
        WORK_DEPTH,
        number("width_m", "m", "working width of the implement", 0, 60),
        WORK_SPEED,
        WORK_DRAFT,
        number("area_ha", "hectare", "area worked", 0, 100000),
        number("fuel_l", "L", "fuel burnt on the whole area, where the book gives a total", 0, 1e6),
        number(
            "fuel_l_ha",
            "L/hectare",
            "fuel burnt by area; where the book gives a total and the area, their quotient",
            0,
            500,
        ),
        number("tractor_h", "hour", "tractor hours on the whole area", 0, 10000),
        number("fuel_price_per_l", "currency/L", "price of the fuel", 0, 1000),
        number("machine_cost_per_ha", "currency/hectare", "machine cost by area", 0, 1e6),
        number("machine_cost_per_h", "currency/hour", "machine cost by tractor hour", 0, 1e6),
        number("labour_cost_per_ha", "currency/hectare", "labour by area", 0, 1e6),
        number("labour_cost_per_h", "currency/hour", "labour by tractor hour", 0, 1e6),
        replace(CONTRACT_COST, high=1e6),
        number("other_cost_per_ha", "currency/hectare", "any other cost of the work", 0, 1e6),
        NOTES,
    ),
)
