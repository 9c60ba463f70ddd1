"""Yield of a pass from what was weighed, and its conversion to market moisture."""

import polars as pl


def gross_yield() -> pl.Expr:
    """Return the wet yield of a pass [kg/ha]: from mass, length and width, else as written.

    Null if the pass has neither.
    """
    area = pl.col("length_m") * pl.col("width_m")
    weighed = pl.when(area > 0).then(pl.col("mass_kg") / area * 10_000)
    return pl.coalesce(weighed, "yield_kg_ha")


def at_market_moisture(yield_: pl.Expr, moisture_pct: pl.Expr, market_pct: pl.Expr) -> pl.Expr:
    """Convert a wet yield to the weight of the same dry matter at market moisture.

    Moistures in percent, wet basis; the yield keeps its unit.
    """
    return yield_ * (100 - moisture_pct) / (100 - market_pct)
