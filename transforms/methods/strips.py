"""The two strips of a field side by side."""

from __future__ import annotations

import polars as pl

STRIPS = pl.DataFrame({"strip": ["treated", "check"]})


def in_strip(value: pl.Expr, strip: str) -> pl.Expr:
    """Return the values of one strip's rows (to be aggregated)."""
    return value.filter(pl.col("strip") == strip)
