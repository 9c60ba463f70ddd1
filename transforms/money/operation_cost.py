"""operation_cost: the all-in cost by area of each operation."""

import polars as pl

from schemas import generated
from schemas.tables.money.operation_cost import TABLE
from transforms.methods.texts import joined
from transforms.money.methods.fuel import fuel_l_ha

PARTS = ("fuel", "machine", "labour")


def derive(operation: pl.DataFrame) -> pl.DataFrame:
    """All-in cost of each operation in the farm's currency per hectare.

    A contract rate stands for fuel, machine and labour. Otherwise fuel burnt (L/ha) times its
    price, and machine and labour by area plus tractor hours by area times their hourly rates. A
    part of which nothing is known is left out, and the row is partial: the cost is then too low.
    """
    hours_per_ha = pl.when(pl.col("area_ha") > 0).then(pl.col("tractor_h") / pl.col("area_ha"))

    def by_area_and_hour(part: str) -> pl.Expr:
        area = pl.col(f"{part}_cost_per_ha")
        hour = hours_per_ha * pl.col(f"{part}_cost_per_h")
        return (
            pl.when(area.is_not_null() | hour.is_not_null())
            .then(area.fill_null(0) + hour.fill_null(0))
            .alias(f"{part}_cost_per_ha")
        )

    rows = operation.with_columns(
        (fuel_l_ha() * pl.col("fuel_price_per_l")).alias("fuel_cost_per_ha"),
        by_area_and_hour("machine"),
        by_area_and_hour("labour"),
    )
    own = [pl.col(f"{part}_cost_per_ha") for part in PARTS]
    contract = pl.col("contract_cost_per_ha")
    known = pl.sum_horizontal(part.is_not_null().cast(pl.Float64) for part in own)
    anything = contract.is_not_null() | (known > 0) | pl.col("other_cost_per_ha").is_not_null()
    missing = joined(
        *(
            pl.when(part.is_null()).then(pl.lit(name))
            for name, part in zip(PARTS, own, strict=True)
        ),
        separator=", ",
    )
    whole = contract.is_not_null() | (known == len(PARTS))
    basis = pl.when(contract.is_not_null()).then(contract).otherwise(pl.sum_horizontal(own))
    rows = rows.with_columns(
        cost_per_ha=pl.when(anything).then(basis + pl.col("other_cost_per_ha").fill_null(0)),
        coverage=pl.when(contract.is_not_null()).then(1.0).otherwise(known / len(PARTS)),
        partial=~whole,
        reason=pl.when(~anything)
        .then(pl.lit("the field book says nothing of what the work cost"))
        .when(~whole)
        .then(pl.format("the cost is too low: nothing is known of {}", missing)),
    )
    return generated.conform(rows.select(TABLE.names), TABLE).sort(TABLE.key)
