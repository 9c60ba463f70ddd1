"""Bring a database file up to the declarations of this program.

What is computed can be made again, so a table of the set-up, daily or derived tiers whose columns
changed is made anew and filled by the next derive. Readings and receipts are kept: a column that
is new to them is added, and anything else is refused.
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

_KEPT = (Tier.RECEIPT, Tier.READING)


def bring_up(con: duckdb.DuckDBPyConnection) -> bool:
    """Make or alter tables as declared; true where anything was changed. Call in a transaction.

    Raises UserError where the file was made by a later program.
    """
    stored = stored_columns(con)
    if "about" in stored:
        version = fact(con, "schema_version")
        if version is not None and int(version) > SCHEMA_VERSION:
            raise UserError(
                f"This warehouse was made by a later Checkstrip (its tables are of version {version}, "
                f"this program knows up to {SCHEMA_VERSION}). Install the later Checkstrip again."
            )
    changed = False
    for table in TABLES.values():
        changed |= _bring_up_table(con, table, stored.get(table.name))
    if changed or fact(con, "schema_version") != str(SCHEMA_VERSION):
        con.execute("; ".join(c for table in TABLES.values() for c in made.comments(table)))
        set_fact(con, "schema_version", str(SCHEMA_VERSION))
        changed = True
    return changed


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
    con: duckdb.DuckDBPyConnection, table: Table, stored: dict[str, str] | None
) -> bool:
    declared = {column.name: _stored_type(column.kind.value) for column in table.columns}
    if stored is None:
        con.execute(made.ddl(table))
        return True
    if stored == declared:
        return False
    if table.tier not in _KEPT:
        con.execute(f"DROP TABLE {made.quoted(table.name)}")
        con.execute(made.ddl(table))
        set_fact(con, "derive_all", "true")
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
