"""operation_budget: own cost beside a custom rate, and the cost over strip and field."""

import polars as pl

from schemas import generated
from schemas.tables.money.operation_budget import TABLE
from schemas.work_rates import (
    FUEL_GALLONS_PER_HOUR,
    FUEL_SOURCE,
    HOUR_RATES,
    OWN_RATES,
    RATES,
    WorkRate,
)

L_PER_GALLON = 3.785411784  # of the United States; NIST Handbook 44, appendix C
HA_PER_ACRE = 0.40468564224  # NIST Handbook 44, appendix C
KEY = ["field", "strip", "day", "practice"]
PARTS = ("fuel_cost_per_ha", "machine_cost_per_ha", "labour_cost_per_ha")


def derive(
    *,
    operation: pl.DataFrame,
    operation_cost: pl.DataFrame,
    field: pl.DataFrame,
    farm: pl.DataFrame,
) -> pl.DataFrame:
    """Money of each operation in the farm's currency, by hectare and over its area.

    A custom rate in the field book counts before the farm's own parts, as in ``operation_cost``. Own
    cost is fuel, machine and labor together, and null where one is missing: part of a cost compared
    with a whole rate would look cheap. A published rate (``work_rates``) is given only in its own
    currency and never enters a cost. Where tractor hours and area are known, parts that the book lacks are
    filled at published rates by tractor hour (``own_filled_per_ha``), fuel at the operation's own price or
    the last one in the book; ``filled_from`` names them.
    """
    currency = farm["currency"][0] if farm.height else None
    own = pl.sum_horizontal(PARTS, ignore_nulls=False)
    custom = pl.col("contract_cost_per_ha")
    rows = (
        operation_cost.join(
            operation.select(*KEY, worked_ha="area_ha"), on=KEY, how="left", maintain_order="left"
        )
        .join(field.select("field", field_ha="area_ha"), on="field", how="left")
        .join(
            _published(operation_cost, currency, RATES, "published_{}"), on="practice", how="left"
        )
        .join(
            _published(operation_cost, currency, OWN_RATES, "published_own_{}"),
            on="practice",
            how="left",
        )
        .join(_filled(operation, operation_cost, currency), on=KEY, how="left")
        .with_columns(
            own_cost_per_ha=own,
            taken=pl.when(custom.is_not_null())
            .then(pl.lit("custom"))
            .when(pl.any_horizontal(pl.col(part).is_not_null() for part in PARTS))
            .then(pl.lit("own")),
            own_less_custom_per_ha=pl.coalesce(own, "own_filled_per_ha")
            - pl.coalesce(custom, "published_rate_per_ha"),
            cost=pl.col("cost_per_ha") * pl.col("worked_ha"),
            field_cost=pl.col("cost_per_ha") * pl.col("field_ha"),
        )
    )
    return generated.conform(rows.select(TABLE.names), TABLE).sort(TABLE.key)


def _filled(
    operation: pl.DataFrame, operation_cost: pl.DataFrame, currency: str | None
) -> pl.DataFrame:
    """Own cost of each operation with the parts that its book lacks at published rates by tractor hour."""
    rows = operation_cost.join(
        operation.select(*KEY, "tractor_h", "area_ha", "fuel_price_per_l"), on=KEY, how="left"
    ).sort("day")
    hours = pl.when(pl.col("area_ha") > 0).then(pl.col("tractor_h") / pl.col("area_ha"))
    price = pl.col("fuel_price_per_l").forward_fill().backward_fill()
    found = {"fuel": (FUEL_GALLONS_PER_HOUR * L_PER_GALLON * price * hours, FUEL_SOURCE)}
    for part, rate in HOUR_RATES.items():
        if rate.currency == currency:
            found[part] = (rate.per_hour * hours, rate.source)
    values, said = [], []
    for part in ("fuel", "machine", "labour"):
        own = pl.col(f"{part}_cost_per_ha")
        published, source = found.get(part, (pl.lit(None, pl.Float64), ""))
        values.append(pl.coalesce(own, published))
        said.append(pl.when(own.is_null()).then(pl.lit(f"{part} ({source})")))
    filled = pl.sum_horizontal(values, ignore_nulls=False)
    lacks = pl.any_horizontal(pl.col(part).is_null() for part in PARTS)
    rows = rows.with_columns(own_filled_per_ha=pl.when(lacks).then(filled))
    names = pl.concat_str(said, separator=", ", ignore_nulls=True)
    return rows.select(
        *KEY,
        "own_filled_per_ha",
        filled_from=pl.when(pl.col("own_filled_per_ha").is_not_null()).then(names),
    )


def _published(
    operation_cost: pl.DataFrame, currency: str | None, rates: tuple[WorkRate, ...], name: str
) -> pl.DataFrame:
    """The first published rate that fits each practice, in currency per hectare."""
    practices = operation_cost.select(pl.col("practice").unique().sort())
    word = pl.col("practice").str.to_lowercase()
    fits = [rate for rate in rates if rate.currency == currency]
    money, source = pl.lit(None, pl.Float64), pl.lit(None, pl.String)
    for rate in reversed(fits):
        named = pl.any_horizontal(word.str.contains(one, literal=True) for one in rate.words)
        money = pl.when(named).then(rate.per_acre / HA_PER_ACRE).otherwise(money)
        source = pl.when(named).then(pl.lit(rate.source)).otherwise(source)
    cost = name.format("rate_per_ha" if rates is RATES else "per_ha")
    return practices.with_columns(money.alias(cost), source.alias(name.format("from")))
