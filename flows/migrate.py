"""Bring a database file up to the declarations of this program, from any older version.

What is computed can be made again, so a table of the set-up, daily or derived tiers whose columns
changed is made anew and filled by the next collect or derive. Readings and receipts are kept: a
column that is new to them is added, and anything else is refused. What the declarations cannot tell
(a column that got another name or meaning) is a step of ``STEPS``.
"""

from __future__ import annotations

import duckdb

from flows.errors import UserError
from schemas import made
from schemas.catalogue import TABLES
from schemas.table import Table, Tier

# Raised by one whenever a warehouse of the version before could be misread by this program, or one
# of this program by the version before.
SCHEMA_VERSION = 1

# Version that a warehouse has → the SQL that makes it one of the next, before the declarations are
# compared. A version without an entry needs no more than the declarations.
STEPS: dict[int, str] = {}

_KEPT = (Tier.RECEIPT, Tier.READING)


def bring_up(con: duckdb.DuckDBPyConnection) -> bool:
    """Make or alter tables as declared; true where anything was changed. Call in a transaction.

    Raises UserError where the file was made by a later program, or cannot be brought up.
    """
    stored = stored_columns(con)
    version = stored_version(con, stored)
    if version is not None:
        refuse_later(version)
        if version < SCHEMA_VERSION:
            for older in range(version, SCHEMA_VERSION):
                if older in STEPS:
                    con.execute(STEPS[older])
            stored = stored_columns(con)
    changed = False
    for table in TABLES.values():
        changed |= _bring_up_table(con, table, stored.get(table.name), fresh=version is None)
    if changed or version != SCHEMA_VERSION:
        con.execute("; ".join(c for table in TABLES.values() for c in made.comments(table)))
        set_fact(con, "schema_version", str(SCHEMA_VERSION))
        changed = True
    return changed


def stored_version(
    con: duckdb.DuckDBPyConnection, stored: dict[str, dict[str, str]] | None = None
) -> int | None:
    """The version of the file's tables; None of a file that has none yet."""
    if "about" not in (stored_columns(con) if stored is None else stored):
        return None
    return int(fact(con, "schema_version") or 0)


def refuse_later(version: int) -> None:
    """Raise UserError where a warehouse's version is of a later program."""
    if version > SCHEMA_VERSION:
        raise UserError(
            f"This warehouse was made by a later Checkstrip (its tables are of version {version}, "
            f"this program knows up to {SCHEMA_VERSION}); nothing was changed: install the later "
            "Checkstrip again."
        )


def alters(con: duckdb.DuckDBPyConnection) -> bool:
    """Whether bringing this file up would change a table that it has already."""
    stored = stored_columns(con)
    version = stored_version(con, stored)
    return version is not None and (
        version < SCHEMA_VERSION
        or any(stored.get(t.name, _declared(t)) != _declared(t) for t in TABLES.values())
    )


def stored_columns(con: duckdb.DuckDBPyConnection) -> dict[str, dict[str, str]]:
    """Tables of the file: name to its columns with their SQL types, in order."""
    rows = con.sql(
        "SELECT table_name, column_name, data_type FROM duckdb_columns() "
        "WHERE schema_name = 'main' AND database_name = current_database() AND NOT internal "
        "ORDER BY table_name, column_index"
    ).fetchall()
    tables: dict[str, dict[str, str]] = {}
    for table, column, kind in rows:
        tables.setdefault(table, {})[column] = kind
    return tables


def _bring_up_table(
    con: duckdb.DuckDBPyConnection, table: Table, stored: dict[str, str] | None, *, fresh: bool
) -> bool:
    declared = _declared(table)
    if stored == declared:
        return False
    if stored is None or table.tier not in _KEPT:
        con.execute(f"DROP TABLE IF EXISTS {made.quoted(table.name)}")
        con.execute(made.ddl(table))
        if not fresh:
            _to_be_filled(con, table)
        return True
    new = {name: kind for name, kind in declared.items() if name not in stored}
    if any(declared.get(name) != kind for name, kind in stored.items()):
        raise UserError(
            f"The table {table.name} of this warehouse has columns that this program does not know. "
            "Make the warehouse again from the archive with: checkstrip rebuild FOLDER"
        )
    for name, kind in new.items():
        con.execute(f"ALTER TABLE {made.quoted(table.name)} ADD COLUMN {made.quoted(name)} {kind}")
    return bool(new)


def _to_be_filled(con: duckdb.DuckDBPyConnection, table: Table) -> None:
    """See to it that an empty table of a warehouse that has data is filled again."""
    set_fact(con, "derive_all", "true")
    if table.tier is Tier.SETUP:
        # A book whose receipt names no set-up is read again by the next collect.
        con.execute(
            "UPDATE delivery SET setup = NULL WHERE source IN (SELECT unnest(?))",
            [list(TABLES["book_problem"]["book"].one_of)],
        )


def _declared(table: Table) -> dict[str, str]:
    return {column.name: _stored_type(column.kind.value) for column in table.columns}


def _stored_type(kind: str) -> str:
    return {"TIMESTAMPTZ": "TIMESTAMP WITH TIME ZONE"}.get(kind, kind)


def fact(con: duckdb.DuckDBPyConnection, name: str) -> str | None:
    """A fact that the warehouse stores about itself."""
    rows = con.execute("SELECT value FROM about WHERE fact = ?", [name]).fetchall()
    return rows[0][0] if rows else None


def set_fact(con: duckdb.DuckDBPyConnection, name: str, value: str | None) -> None:
    """Store a fact about the warehouse; None forgets it."""
    con.execute("DELETE FROM about WHERE fact = ?", [name])
    if value is not None:
        con.execute("INSERT INTO about (fact, value) VALUES (?, ?)", [name, value])
