"""Fuel that an operation burnt."""

import polars as pl


def fuel_l_ha() -> pl.Expr:
    """Return an operation's fuel [L/ha]: as written, else the liters over the area worked."""
    return pl.coalesce(
        "fuel_l_ha", pl.when(pl.col("area_ha") > 0).then(pl.col("fuel_l") / pl.col("area_ha"))
    )
