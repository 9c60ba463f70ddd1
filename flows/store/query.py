"""Questions to the published copy, and the ways in which an answer is written."""

from __future__ import annotations

from pathlib import Path

import duckdb
import polars as pl

from flows.base.errors import UserError
from flows.base.plain_text import text_table
from flows.farm.folder import FarmFolder
from flows.store import publish, warehouse
from schemas import generated

# A cell that begins so is run by spreadsheets, also after blanks or in a full-width form.
FORMULA = r"^[\s\u200b\ufeff]*[=+\-@\t\r\uff1d\uff0b\uff0d\uff20]|^[\t\r\n]"


def open_published(folder: FarmFolder) -> duckdb.DuckDBPyConnection:
    """Return a read-only connection to the newest published copy; raise UserError if none exists."""
    path = publish.newest(folder)
    if path is None:
        raise UserError(f"Nothing is published yet. Run first: checkstrip once {folder.root}")
    try:
        return warehouse.open_reader(path)
    except duckdb.IOException as error:
        raise UserError(
            f"The published copy {path} cannot be opened: {str(error).splitlines()[0]} "
            "Another program may hold it for writing; it should open it read-only."
        ) from error


def ask(con: duckdb.DuckDBPyConnection, query: str) -> duckdb.DuckDBPyRelation:
    """Return the answer to one query; raise UserError, in the database's own words, if it fails."""
    try:
        answer = con.sql(query)
    except duckdb.Error as error:
        raise UserError(f"The query cannot be answered. {str(error).strip()}") from error
    if answer is None:
        raise UserError("This statement has no answer to show; ask with SELECT or FROM.")
    return answer


def frame(answer: duckdb.DuckDBPyRelation) -> pl.DataFrame:
    """Return the answer in memory; raise UserError if computing it fails."""
    try:
        rows: pl.DataFrame = answer.pl()
    except duckdb.Error as error:
        raise UserError(f"The query cannot be answered. {str(error).strip()}") from error
    return rows


def to_csv(rows: pl.DataFrame) -> str:
    """Return CSV with a header; times as ISO 8601 in UTC.

    Text that a spreadsheet would run as a formula gets a ' before it (numbers stay as they are, and
    so does text that is a number); JSON and Parquet carry it unchanged.
    """
    return rows.with_columns(*_times(rows), *_harmless(rows)).write_csv()


def to_json(rows: pl.DataFrame) -> str:
    """Return a list of records; times as ISO 8601 in UTC."""
    return rows.with_columns(_times(rows)).write_json()


def to_parquet(answer: duckdb.DuckDBPyRelation, path: Path) -> None:
    """Write the answer to a Parquet file; raise UserError if that fails."""
    try:
        answer.write_parquet(str(path))
    except duckdb.Error as error:
        raise UserError(f"{path} cannot be written. {str(error).strip()}") from error


def to_table(rows: pl.DataFrame, limit: int) -> str:
    """Return a text table of at most ``limit`` rows; its last line says how many there are."""
    cells = [[_cell(value) for value in row] for row in rows.head(limit).rows()]
    numbers = {place for place, kind in enumerate(rows.dtypes) if kind.is_numeric()}
    lines = text_table(cells, numbers, rows.columns)
    count = f"{rows.height:,} row{'' if rows.height == 1 else 's'}"
    if rows.height > limit:
        count += f", the first {limit} shown (--rows 0 for all, or --csv)"
    return "\n".join([*lines, count])


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.6g}"
    return str(value).replace("\n", " ")


def _times(rows: pl.DataFrame) -> list[pl.Expr]:
    return [
        pl.col(name).dt.strftime("%Y-%m-%dT%H:%M:%S%.fZ")
        for name, kind in rows.schema.items()
        if isinstance(kind, pl.Datetime) and kind.time_zone is not None
    ]


def _harmless(rows: pl.DataFrame) -> list[pl.Expr]:
    """Text columns with a ' before what would begin a formula; lists and the like become text."""
    expressions = []
    for name, kind in rows.schema.items():
        text = pl.col(name)
        if kind.is_nested() or kind.is_object():
            text = pl.lit(
                pl.Series([None if v is None else str(v) for v in rows[name]], dtype=pl.String)
            )
        elif kind not in (pl.String, pl.Categorical, pl.Enum):
            continue
        text = text.cast(pl.String)
        runs = text.str.contains(FORMULA) & text.cast(pl.Float64, strict=False).is_null()
        expressions.append(pl.when(runs).then("'" + text).otherwise(text).alias(name))
    return expressions


def tables(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Return the names of the tables of a published copy."""
    rows = con.sql("""
        SELECT table_name FROM information_schema.tables
        WHERE table_catalog = current_database() AND table_schema = 'main' ORDER BY 1
    """).fetchall()
    return [name for (name,) in rows]


def count(con: duckdb.DuckDBPyConnection, name: str) -> int:
    """Return the number of rows of a table."""
    return int(con.sql(f"SELECT count(*) FROM {generated.quoted(name)}").fetchall()[0][0])
