"""The limits of the declaration, applied to what was computed."""

import polars as pl

from schemas.table import Kind, Table


def within(frame: pl.DataFrame, table: Table) -> pl.DataFrame:
    """The frame with null in place of every number outside the limits its column declares.

    A daily sum can leave them where no single reading did (a radiation sensor stuck at its
    highest value); such a number is a fault and no number.
    """
    kept = []
    for column in table.columns:
        if column.kind is not Kind.NUMBER or column.name not in frame.columns:
            continue
        value = pl.col(column.name)
        inside = pl.lit(True)
        if column.low is not None:
            inside = inside & (value >= column.low)
        if column.high is not None:
            inside = inside & (value <= column.high)
        kept.append(pl.when(inside & value.is_finite()).then(value).alias(column.name))
    return frame.with_columns(kept)
