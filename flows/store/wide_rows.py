"""Kept tables: from a row an entry to a row with lists, and back; which columns have values.

``soil_reading`` has a row a sensor and time. Its sensors come together, so they are kept together:
a row a probe and time, with the depths and the values as lists of one length. An entry without a
depth is none (a sensor that did not stand there).
"""

from collections.abc import Sequence

import polars as pl

from schemas.table import Table


def bundled(rows: pl.DataFrame, table: Table) -> pl.DataFrame:
    """Return wide rows: those of a table alike in all but the list columns become one."""
    listed = [name for name in table.list_columns if name in rows.columns]
    others = [name for name in rows.columns if name not in listed]
    return (
        rows.sort(listed[0]).group_by(others, maintain_order=True).agg(listed).select(rows.columns)
    )


def joined(frames: Sequence[pl.DataFrame], table: Table) -> pl.DataFrame:
    """Return rows of frames below each other; an absent column is null, for each entry of a list.

    Without that the lists of a row would differ in length: those of a frame that has only water
    content beside those of one that has only temperature.
    """
    rows = pl.concat(frames, how="diagonal")
    listed = [name for name in table.list_columns if name in rows.columns]
    gaps = [name for name in listed if rows[name].null_count()]
    nulls = pl.lit(None, pl.Float64).repeat_by(pl.col(listed[0]).list.len()) if gaps else None
    return rows.with_columns(pl.coalesce(name, nulls).alias(name) for name in gaps)


def single(kept: pl.DataFrame, table: Table) -> pl.DataFrame:
    """The entries of rows as they are kept, a row each; ``kept`` may have further columns."""
    listed = [name for name in table.list_columns if name in kept.columns]
    return kept.explode(listed).filter(pl.col(listed[0]).is_not_null())


def has_values(column: pl.Series) -> bool:
    """Return whether any row, or any entry of its lists, is not null."""
    entries = column.explode() if isinstance(column.dtype, pl.List) else column
    return entries.null_count() < len(entries)


def is_bundled(rows: pl.DataFrame, table: Table) -> bool:
    """Whether rows are as they are kept (a table without lists never is)."""
    return bool(table.list_columns) and isinstance(rows.schema[table.list_columns[0]], pl.List)
