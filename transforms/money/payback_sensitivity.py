"""payback_sensitivity: the sum of an operation if prices, responses or its cost had been other."""

import polars as pl

from schemas import generated
from schemas.tables.money.payback_sensitivity import TABLE

RUN = ["field", "operation_day"]
# Changes of one input at a time, as partial budgets have them. Common practice, no source.
CHANGES_PCT = (-20.0, -10.0, 10.0, 20.0)


def derive(payback: pl.DataFrame) -> pl.DataFrame:
    """The sum by the latest season with each input changed in turn, in currency per hectare.

    A season counts as in ``payback``. With other prices the value of its response, and of what the
    work before a repeat would still have given, changes in proportion; a protein premium and the extra
    costs stay. With other responses the response changes and what the work before would have given
    stays. Prices and responses are changed in all seasons alike.
    """
    counted = payback.filter(
        pl.col("marginal_net_per_ha").is_not_null() & pl.col("cost_per_ha").is_not_null()
    )
    if counted.is_empty():
        return generated.empty(TABLE)
    before = pl.col("earlier_kg_ha").fill_null(0.0) * pl.col("price_per_kg")
    response = pl.col("season_value_per_ha")
    last = pl.col("season") == pl.col("season").max().over(RUN)
    known = (
        payback.filter(last)
        .drop_nulls("cumulative_net_per_ha")
        .select(
            *RUN,
            "season",
            "practice",
            "cost_per_ha",
            "cost_partial",
            "coverage",
            "partial",
            "reason",
            now="cumulative_net_per_ha",
        )
    )
    moved = counted.group_by(RUN).agg(price=(response - before).sum(), response=response.sum())
    inputs = pl.DataFrame({"input": ["price", "response", "cost"]})
    changes = pl.DataFrame({"change_pct": CHANGES_PCT})
    of = pl.col("input")
    base = (
        pl.when(of == "price")
        .then("price")
        .when(of == "response")
        .then("response")
        .otherwise(-pl.col("cost_per_ha"))
    )
    rows = (
        known.join(moved, on=RUN)
        .join(inputs, how="cross")
        .join(changes, how="cross")
        .with_columns(difference_per_ha=base * pl.col("change_pct") * 0.01)
        .with_columns(cumulative_net_per_ha=pl.col("now") + pl.col("difference_per_ha"))
        .with_columns(
            paid=pl.when(~pl.col("cost_partial").fill_null(True)).then(
                pl.col("cumulative_net_per_ha") >= 0
            )
        )
    )
    return generated.conform(rows.select(TABLE.names), TABLE).sort(TABLE.key)
