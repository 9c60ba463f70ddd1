"""Questions to the published copy (``answer`` has what comes back); loads only what starts quickly."""

import re
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import duckdb

from flows.base.errors import UserError
from flows.base.plain_text import counted
from flows.farm.folder import FarmFolder
from flows.store import connection, published
from schemas import generated

# What may stand before the statement that EXPLAIN is about.
EXPLAIN = re.compile(r"explain\s*(analyze\s+)?(\(\s*(analyze|format)\b[^)]*\))?", re.IGNORECASE)


def open_published(folder: FarmFolder) -> AbstractContextManager[duckdb.DuckDBPyConnection]:
    """Open the newest published copy to read from; raise UserError if none exists.

    Raises Attention if it is damaged, also if that shows only while it is read.
    """
    path = published.newest(folder)
    if path is None:
        raise UserError(f"Nothing is published yet. Run first: checkstrip once {folder.root}")
    return _reading(folder, path)


@contextmanager
def _reading(folder: FarmFolder, path: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    cure = f"Make the copy again with: checkstrip publish {folder.root}"
    with connection.damage_reported(path, cure):
        try:
            con = connection.connect(path, read_only=True)
        except duckdb.IOException as error:
            raise UserError(
                f"The published copy {path} cannot be opened: {str(error).splitlines()[0]} "
                "Another program may hold it for writing; it should open it read-only."
            ) from error
        with con:
            yield con


def ask(con: duckdb.DuckDBPyConnection, query: str) -> duckdb.DuckDBPyRelation:
    """Return the answer to one query; raise UserError if it does more than read, or if it fails."""
    query = query.encode("utf-8", "replace").decode()  # a command line may hold halves of pairs
    _must_only_read(query)
    try:
        answer = con.sql(query)
    except duckdb.Error as error:
        raise unanswered(error) from error
    assert answer is not None
    return answer


def _must_only_read(query: str) -> None:
    """Raise UserError unless the text is one statement that reads."""
    try:
        statements = duckdb.extract_statements(query)
    except duckdb.Error as error:
        raise unanswered(error) from error
    words = _without_comments(query)
    if not statements or not words:
        raise UserError('There is no query. Give one, for example "SHOW TABLES".')
    if len(statements) > 1:
        raise UserError(
            f"These are {counted(len(statements), 'statement')}. Give one query at a time."
        )
    if not _reads(statements[0], words):
        raise UserError(
            f"{words.split()[0].upper()} is rejected: a query only reads. Begin it with SELECT, "
            "FROM, WITH, VALUES, PIVOT, DESCRIBE, SHOW, SUMMARIZE or EXPLAIN."
        )


def _reads(statement: duckdb.Statement, words: str) -> bool:
    """Return whether a statement reads; ``words`` is its text without comments."""
    try:
        kind = statement.type
    except ValueError:  # the client has no name for it: UPDATE EXTENSIONS
        return False
    if kind == duckdb.StatementType.SELECT:
        return True
    if explained := EXPLAIN.match(words):
        words = words[explained.end() :]
    elif kind != duckdb.StatementType.MULTI:  # a PIVOT, or any other statement with one inside
        return False
    # Only what reads can stand in brackets after FROM.
    try:
        return len(duckdb.extract_statements(f"FROM (\n{words}\n)")) == 1
    except duckdb.Error:
        return False


def _without_comments(query: str) -> str:
    text = query.encode()
    tokens = duckdb.tokenize(query)
    parts = [
        b" " if kind == duckdb.token_type.comment else text[start:end]
        for (start, kind), (end, _) in pairwise([*tokens, (len(text), None)])
    ]
    return b"".join(parts).decode().strip(" \t\r\n;")


def unanswered(error: Exception) -> UserError:
    """Return the reason in the database's own words, after ours if the query was not allowed to."""
    if isinstance(error, duckdb.PermissionException):
        why = (
            "The query reaches for a file, a folder or an address. It may only ask the tables of "
            "the published copy; list them with: checkstrip tables FOLDER."
        )
    elif "read-only mode" in str(error):
        why = "The query would change the published copy, and a query only reads."
    else:
        why = "The query cannot be answered."
    return UserError(f"{why} {str(error).strip()}")


def time_zone(con: duckdb.DuckDBPyConnection) -> ZoneInfo | None:
    """Return the farm's time zone; None if the copy does not know it."""
    try:
        rows = con.sql("SELECT time_zone FROM farm").fetchall()
        return ZoneInfo(rows[0][0]) if rows and rows[0][0] else None
    except (duckdb.Error, KeyError, ValueError):
        return None


def tables(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Return the names of the tables of a published copy."""
    rows = con.sql("""
        SELECT table_name FROM information_schema.tables
        WHERE table_catalog = current_database() AND table_schema = 'main' ORDER BY 1
    """).fetchall()
    return [name for (name,) in rows]


def counts(con: duckdb.DuckDBPyConnection) -> dict[str, int]:
    """Return the number of rows of every table, by name."""
    one = (
        f"SELECT {generated.literal(t)}, count(*) FROM {generated.quoted(t)}" for t in tables(con)
    )
    return dict(con.sql(" UNION ALL ".join(one)).fetchall())
