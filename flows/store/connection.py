"""Open DuckDB files, every one with the same settings: SQL reaches this file and nothing else."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import duckdb

from flows.base.errors import Attention
from schemas import generated

_SETTINGS: dict[str, str | bool | int | float | list[str]] = {
    # COPY, ATTACH, read_text, INSTALL and their like fail, whatever text gets into SQL.
    "enable_external_access": False,
    # Nothing is ever fetched: an office computer may be offline, and must not call out when it is not.
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
    # A name in SQL never finds a variable of the program.
    "python_enable_replacements": False,
    # New files open in DuckDB 1.2 and later: other people's tools are often older.
    "storage_compatibility_version": "v1.2.0",
    # What the writer changes after the rest is locked.
    "allowed_configs": ["preserve_insertion_order"],
}

# Of a writer's connection: what does not fit goes to disk. 60 strips x 10 years were made in 300 MB.
_WRITER = {"memory_limit": "500MB"}

# What DuckDB says of a file whose bytes are not those that it wrote.
_DAMAGE = (
    "Corrupt database file",
    "not a valid DuckDB database file",
    "Could not read enough bytes",
    "WAL file",
    "Failed to deserialize",
)


def connect(
    path: Path, *, read_only: bool = False, spill: Path | None = None
) -> duckdb.DuckDBPyConnection:
    """Open a DuckDB file; its settings cannot be changed afterwards.

    What does not fit into memory goes to the folder ``spill`` (by default beside the file). Raises
    duckdb.Error if the file cannot be opened.
    """
    config = ({} if read_only else _WRITER) | _SETTINGS
    config |= {} if spill is None else {"temp_directory": str(spill)}
    con = duckdb.connect(str(path), read_only=read_only, config=config)
    con.execute("SET TimeZone = 'UTC'; SET enable_progress_bar = false")
    con.execute("SET lock_configuration = true")
    return con


def records(
    con: duckdb.DuckDBPyConnection, query: str, params: object = None
) -> list[dict[str, Any]]:
    """Return the rows of a query, each by the names of its columns; for few rows."""
    answer = con.sql(query, params=params)
    return [dict(zip(answer.columns, row, strict=True)) for row in answer.fetchall()]


def blocks(con: duckdb.DuckDBPyConnection) -> tuple[int, int]:
    """Return the bytes of a file's blocks, and those that hold something; the rest waits to be written again."""
    found = con.sql("SELECT block_size, used_blocks * block_size FROM pragma_database_size()")
    ((block, used),) = found.fetchall()
    return int(block), int(used)


def repack(source: Path, target: Path, block_bytes: int) -> None:
    """Write a closed database file to a new one in blocks of another size, without free blocks.

    Tables, views, macros and comments are those of ``source``. Like every connection it reaches
    these two files and nothing else. Raises duckdb.Error.
    """
    settings = {k: v for k, v in _SETTINGS.items() if k != "enable_external_access"}
    with duckdb.connect(config=settings) as con:
        ends = ("", ".wal", ".wal.checkpoint", ".wal.recovery")
        files = (f"{path}{end}" for path in (source, target) for end in ends)
        reached = ", ".join(map(generated.literal, files))
        con.execute("SET TimeZone = 'UTC'; SET enable_progress_bar = false")
        con.execute(f"SET allowed_paths = [{reached}]; SET enable_external_access = false")
        con.execute("SET lock_configuration = true")
        before, after = (generated.literal(str(path)) for path in (source, target))
        con.execute(f"ATTACH {before} AS before (READ_ONLY)")
        con.execute(f"ATTACH {after} AS after (BLOCK_SIZE {block_bytes})")
        con.execute("COPY FROM DATABASE before TO after; CHECKPOINT after; DETACH after")


@contextmanager
def damage_reported(path: Path, cure: str) -> Iterator[None]:
    """Raise Attention with ``cure`` if the database file at ``path`` turns out to be damaged inside."""
    try:
        yield
    except Exception as error:
        for one in (error, error.__cause__):
            if isinstance(one, duckdb.Error) and any(words in str(one) for words in _DAMAGE):
                found = str(one).strip().partition("\n")[0].rstrip(".")
                raise Attention(f"{path} is damaged ({found}). {cure}") from error
        raise


def read_through(con: duckdb.DuckDBPyConnection) -> None:
    """Read every value of a database, so that damaged blocks show; raises duckdb.Error."""
    tables = con.sql("""
        SELECT format('"{}"."{}"', schema_name, table_name) FROM duckdb_tables()
        WHERE database_name = current_database() AND NOT internal
    """).fetchall()
    for (table,) in tables:
        con.execute(f"SELECT bit_xor(hash(t)) FROM {table} t")
