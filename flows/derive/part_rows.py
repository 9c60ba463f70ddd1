"""Rows of a table that some parts are made from, or that belong to them, read from the warehouse."""

from __future__ import annotations

import duckdb
import polars as pl

from flows.store import warehouse
from schemas import generated
from schemas.table import Table

# By column, values of which the least and the greatest bound what is read.
Within = dict[str, tuple[pl.Series, pl.Series]]


def rows(
    con: duckdb.DuckDBPyConnection,
    table: Table,
    joined: str,
    k: pl.DataFrame,
    within: Within | None = None,
) -> pl.DataFrame:
    """Return rows of a table by what it is joined with, sorted by its key.

    ``within``: by column the values of which the least and the greatest bound it, so that blocks of
    other places and years are skipped unread; nulls bound nothing.
    """
    names = ", ".join(f"t.{generated.quoted(name)}" for name in table.names)
    order = ", ".join(f"t.{generated.quoted(name)}" for name in table.key) or "ALL"
    bounded = {
        name: [low.min(), high.max()]
        for name, (low, high) in (within or {}).items()
        if len(low) and not low.has_nulls()
    }
    where = " AND ".join(f"t.{generated.quoted(name)} BETWEEN ? AND ?" for name in bounded)
    with warehouse.shown(con, k=k):
        found = con.sql(
            f"SELECT {names} FROM {generated.quoted(table.name)} {joined} "
            f"WHERE {where or 'true'} ORDER BY {order}",
            params=[value for both in bounded.values() for value in both],
        )
        return generated.conform(found.pl(), table)
