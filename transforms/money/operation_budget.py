"""operation_budget: own cost beside a custom rate, and the cost over strip and field."""

import polars as pl

from schemas import generated
from schemas.tables.money.operation_budget import TABLE
from schemas.work_rates import RATES

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
    currency and never enters a cost.
    """
    currency = farm["currency"][0] if farm.height else None
    own = pl.sum_horizontal(PARTS, ignore_nulls=False)
    custom = pl.col("contract_cost_per_ha")
    rows = (
        operation_cost.join(
            operation.select(*KEY, worked_ha="area_ha"), on=KEY, how="left", maintain_order="left"
        )
        .join(field.select("field", field_ha="area_ha"), on="field", how="left")
        .join(_published(operation_cost, currency), on="practice", how="left")
        .with_columns(
            own_cost_per_ha=own,
            taken=pl.when(custom.is_not_null())
            .then(pl.lit("custom"))
            .when(pl.any_horizontal(pl.col(part).is_not_null() for part in PARTS))
            .then(pl.lit("own")),
            own_less_custom_per_ha=own - pl.coalesce(custom, "published_rate_per_ha"),
            cost=pl.col("cost_per_ha") * pl.col("worked_ha"),
            field_cost=pl.col("cost_per_ha") * pl.col("field_ha"),
        )
    )
    return generated.conform(rows.select(TABLE.names), TABLE).sort(TABLE.key)


def _published(operation_cost: pl.DataFrame, currency: str | None) -> pl.DataFrame:
    """The first published rate that fits each practice, in currency per hectare."""
    practices = operation_cost.select(pl.col("practice").unique().sort())
    word = pl.col("practice").str.to_lowercase()
    fits = [rate for rate in RATES if rate.currency == currency]
    money, source = pl.lit(None, pl.Float64), pl.lit(None, pl.String)
    for rate in reversed(fits):
        named = pl.any_horizontal(word.str.contains(one, literal=True) for one in rate.words)
        money = pl.when(named).then(rate.per_acre / HA_PER_ACRE).otherwise(money)
        source = pl.when(named).then(pl.lit(rate.source)).otherwise(source)
    return practices.with_columns(published_rate_per_ha=money, published_from=source)
