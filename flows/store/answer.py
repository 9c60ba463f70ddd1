"""An answer in memory, and the files that it is written to: CSV, JSON, Parquet."""

from pathlib import Path

import duckdb
import polars as pl

from flows.base.errors import UserError
from flows.store.query import unanswered
from schemas.table import Kind

# A cell that begins so is run by spreadsheets, also after blanks or in a full-width form.
FORMULA = r"^[\s\u200b\ufeff]*[=+\-@\t\r\uff1d\uff0b\uff0d\uff20]|^[\t\r\n]"
# Types of which polars takes an answer as it is; for others a library is loaded, which takes a while.
_PLAIN = {*(kind.value for kind in Kind), "TIMESTAMP WITH TIME ZONE", "INTEGER", "HUGEINT"}
PARQUET = b"PAR1"  # a Parquet file begins so (Parquet format, "File format")


def frame(answer: duckdb.DuckDBPyRelation) -> pl.DataFrame:
    """Return the answer in memory; raise UserError if computing it fails."""
    try:
        plain = all(str(kind) in _PLAIN for kind in answer.types)
        rows: pl.DataFrame = pl.DataFrame(answer) if plain else answer.pl()
    except duckdb.Error as error:
        raise unanswered(error) from error
    except pl.exceptions.PolarsError as error:
        raise UserError(
            "A column is of a type that cannot be written (INTERVAL, UNION). Give it as text: "
            "SELECT column::VARCHAR"
        ) from error
    return rows


def to_csv(rows: pl.DataFrame) -> str:
    """Return CSV with a header; times as ISO 8601 in UTC.

    Text that a spreadsheet would run as a formula gets a ' before it (numbers stay as they are, and
    so does text that is a number); JSON and Parquet carry it unchanged.
    """
    return for_spreadsheets(rows).write_csv()


def for_spreadsheets(rows: pl.DataFrame) -> pl.DataFrame:
    """Return the rows with times as ISO 8601 in UTC, and a ' before text that would run as a formula."""
    return rows.with_columns(*_times(rows), *_harmless(rows))


def to_json(rows: pl.DataFrame) -> str:
    """Return a list of records; times as ISO 8601 in UTC."""
    return rows.with_columns(_times(rows)).write_json()


def to_parquet(rows: pl.DataFrame, path: Path) -> None:
    """Write a Parquet file; raise UserError if that fails or another kind of file is there."""
    try:
        if path.exists():
            with path.open("rb") as there:
                if there.read(len(PARQUET)) != PARQUET:
                    raise UserError(f"{path} exists and is not a Parquet file. Give another name.")
        rows.write_parquet(path)
    except (OSError, pl.exceptions.PolarsError) as error:
        raise UserError(f"{path} cannot be written. {str(error).strip()}") from error


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
