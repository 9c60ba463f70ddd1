"""Rows of tables that were read, kept in memory for the tables that are still to be made from them.

A small table is read whole. Of a large one, parts of the last year or two need its last rows only:
these are read once for all tables whose parts need no earlier ones, as long as they are few.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import date

import duckdb
import polars as pl

from flows.derive.parts import Parts
from flows.store import warehouse
from schemas.catalogue import TABLES

# Rows of a source up to which it is read whole, once for all tables that are made from it.
SMALL_ROWS = 20_000
# Rows of the last months of a larger one up to which they are read once for several tables.
RECENT_ROWS = 300_000


class Frames:
    """Tables read, whole or from a day on."""

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        """Read nothing yet."""
        self._con = con
        self._whole: dict[str, pl.DataFrame] = {}
        self._recent: dict[str, tuple[date, pl.DataFrame]] = {}

    def whole(self, name: str) -> pl.DataFrame:
        """Return all rows of a table."""
        if name not in self._whole:
            self._whole[name] = warehouse.read(self._con, TABLES[name])
        return self._whole[name]

    def columns(self, name: str, columns: Sequence[str] | None) -> pl.DataFrame:
        """Return some columns of all rows of a table (None: all columns)."""
        if columns is None or name in self._whole:
            return self.whole(name).select(columns or pl.all())
        return warehouse.read(self._con, TABLES[name], columns=columns)

    def of(
        self, name: str, number: int, parts: Parts, some: Collection[str], among: Collection[str]
    ) -> pl.DataFrame:
        """Return the rows of a source, which has so many, that some parts are made from.

        ``among``: all parts to be made, those of the next batches too.
        """
        if name in self._whole or number <= SMALL_ROWS:
            return parts.given(self._con, name, some, self.whole(name))
        since, rows = parts.since(name, among)
        if since is None or rows > RECENT_ROWS:
            return parts.given(self._con, name, some)
        if name not in self._recent or self._recent[name][0] > since:
            recent = warehouse.read(self._con, TABLES[name], f"day >= DATE '{since}'")
            self._recent[name] = since, recent
        return parts.given(self._con, name, some, self._recent[name][1])

    def written(self, name: str, rows: pl.DataFrame) -> None:
        """Take over all rows of a table as they were written: they need not be read."""
        self._whole[name] = rows

    def drop_but(self, names: Collection[str]) -> None:
        """Forget all tables but these."""
        self._whole = {name: rows for name, rows in self._whole.items() if name in names}
        self._recent = {name: rows for name, rows in self._recent.items() if name in names}
