"""planned_value: what the practice should earn in each planned crop, at the planned yield and prices."""

import polars as pl

from schemas import generated
from schemas.tables.money.planned_value import TABLE
from transforms.methods.normal_range import Z_95
from transforms.methods.texts import joined


def derive(
    *,
    planned_season: pl.DataFrame,
    field: pl.DataFrame,
    field_outlook: pl.DataFrame,
    response_fade: pl.DataFrame,
) -> pl.DataFrame:
    """Value of the response in each planned crop, in the farm's currency per hectare.

    The response to expect is that of ``response_fade`` in percent of the check, at the harvests since
    the field's last operation, and at one harvest after a new one, times the planned yield. Its value is
    times the likely price. The interval joins the line's interval and the prices' range (both read as
    95 % ranges) as independent errors of a product: var(xy) = x2 var(y) + y2 var(x) + var(x) var(y)
    (Goodman 1960). It is of the mean: one season scatters more.
    """
    if planned_season.is_empty():
        return generated.empty(TABLE)
    line = response_fade.select(
        "practice", "years_since", "response_pct", "response_low_pct", "response_high_pct"
    )
    cost = response_fade.group_by("practice").agg(pl.col("cost_per_ha").drop_nulls().first())
    last = field_outlook.select("field", "operation_day", _fall="fall", _since="years_since")
    rows = (
        planned_season.join(field.select("field", "practice"), on="field")
        .join(last, on="field", how="left")
        .join(cost, on="practice", how="left")
        .with_columns(
            years_since=pl.when(pl.col("operation_day").is_not_null()).then(
                pl.col("_since") + pl.col("season") - pl.col("_fall")
            ),
            _one=pl.lit(1, pl.Int64),
        )
        .with_columns(pl.when(pl.col("years_since") >= 1).then("years_since"))
    )
    for name, years in (("standing", "years_since"), ("fresh", "_one")):
        rows = rows.join(
            line.rename(
                {
                    "years_since": years,
                    "response_pct": f"_{name}",
                    "response_low_pct": f"_{name}_low",
                    "response_high_pct": f"_{name}_high",
                }
            ),
            on=["practice", years],
            how="left",
        ).with_columns(*_value(name))
    none = pl.col("operation_day").is_null()
    without = pl.when(none).then(0.0).otherwise("standing_per_ha")
    rows = rows.with_columns(first_season_per_ha=pl.col("fresh_per_ha") - without)
    return generated.conform(_with_reason(rows).select(TABLE.names), TABLE).sort(TABLE.key)


def _value(name: str) -> list[pl.Expr]:
    """Response in kg/ha, its value and the interval of that."""
    response = pl.col(f"_{name}") * pl.col("yield_kg_ha") * 0.01
    spread = (pl.col(f"_{name}_high") - pl.col(f"_{name}_low")) * pl.col("yield_kg_ha") * 0.01
    price = pl.col("price_per_kg")
    prices = (pl.col("price_high_per_kg") - pl.col("price_low_per_kg")).fill_null(0.0)
    var_response, var_price = (spread / (2 * Z_95)) ** 2, (prices / (2 * Z_95)) ** 2
    half = (
        Z_95 * (response**2 * var_price + price**2 * var_response + var_response * var_price).sqrt()
    )
    value = response * price
    return [
        response.alias(f"{name}_kg_ha"),
        value.alias(f"{name}_per_ha"),
        (value - half).alias(f"{name}_low_per_ha"),
        (value + half).alias(f"{name}_high_per_ha"),
    ]


def _with_reason(rows: pl.DataFrame) -> pl.DataFrame:
    parts = {
        "the plan has no yield": pl.col("yield_kg_ha").is_not_null(),
        "the plan has no price": pl.col("price_per_kg").is_not_null(),
        "what to expect of the practice is not known yet (too few site-years)": pl.col(
            "_fresh"
        ).is_not_null(),
        "what the last working still gives then is not known": pl.col("_standing").is_not_null()
        | pl.col("operation_day").is_null(),
    }
    return rows.with_columns(
        coverage=pl.mean_horizontal(known.cast(pl.Float64) for known in parts.values()),
        partial=~pl.all_horizontal(*parts.values()),
        reason=joined(*(pl.when(~known).then(pl.lit(words)) for words, known in parts.items())),
    )
