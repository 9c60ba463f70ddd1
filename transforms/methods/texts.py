"""Build the texts that rows carry: reasons, and depths as a reader writes them."""

import polars as pl


def joined(*parts: str | pl.Expr, separator: str = "; ") -> pl.Expr:
    """Join the parts that are not null into one text; null if there is none.

    A part is a column name or an expression of text, as in ``pl.concat_str``.
    """
    return pl.concat_str(*parts, separator=separator, ignore_nulls=True).replace("", None)


def each_once(texts: pl.Expr) -> pl.Expr:
    """Join the texts of several rows that are not null, each part of them (``joined``) once, in their order."""
    parts = texts.drop_nulls().str.split("; ").explode()
    return parts.unique(maintain_order=True).str.join("; ")


def depth_text(depth_cm: pl.Expr) -> pl.Expr:
    """Write a depth [cm] without a needless decimal: 10, 12.5."""
    return depth_cm.round(1).cast(pl.String).str.strip_suffix(".0")
