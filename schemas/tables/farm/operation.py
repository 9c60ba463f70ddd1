"""One dated pass of a practice on a strip: how it was done and what it cost."""

from schemas.table import Table, Tier, day, number, text

TABLE = Table(
    "operation",
    Tier.SETUP,
    "one dated pass of a practice on one strip of a field, from the field book",
    (
        text("field", "name of the field", key=True),
        text("strip", "the side that was worked", key=True, one_of=("treated", "check")),
        day("day", "day of the work", key=True),
        text("practice", "what was done, for example deep tillage", key=True),
        text("implement", "kind of implement, in the user's words"),
        number("depth_cm", "cm", "working depth", 0, 200),
        number("width_m", "m", "working width of the implement", 0, 60),
        number("speed_km_h", "km/hour", "working speed", 0, 40),
        number("draft_kn", "kN", "draft of the whole implement, where it was measured", 0, 1000),
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
        number(
            "contract_cost_per_ha",
            "currency/hectare",
            "contract rate; where it is given it stands for fuel, machine and labour",
            0,
            1e6,
        ),
        number("other_cost_per_ha", "currency/hectare", "any other cost of the work", 0, 1e6),
        text("notes", "the user's notes"),
    ),
)
