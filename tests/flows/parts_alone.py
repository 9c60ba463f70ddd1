"""The rows of a table made a part at a time, to compare with those made of everything."""

import duckdb
import polars as pl

from flows.derive import made_by, making
from flows.derive.hashed import Hashed
from flows.derive.part_word import Word
from flows.derive.parts import Divided
from schemas import generated
from schemas.catalogue import TABLES

METHODS = made_by.of_files(made_by.ROOT)


def made(name: str, given: dict[str, pl.DataFrame]) -> pl.DataFrame:
    """A table's rows as they are declared."""
    return generated.conform(making.by_strips(TABLES[name], given), TABLES[name])


def settled(name: str, rows: pl.DataFrame) -> pl.DataFrame:
    """Rows sorted and rounded as they are stored."""
    return rows.sort(TABLES[name].key).with_columns(making.settled(pl.col(pl.Float64)))


def alone(con: duckdb.DuckDBPyConnection, name: str, word: Word) -> tuple[pl.DataFrame, int]:
    """The rows of a table made a part at a time, and how many parts it has."""
    sources = METHODS[name].sources
    parts = Divided(con, Hashed(con)).parts("", word, sources)
    rows = [
        parts.of(TABLES[name], made(name, {s: parts.given(con, s, [p]) for s in sources}), [p])
        for p in parts.made_from
    ]
    return settled(name, pl.concat(rows)), len(rows)
