"""Upgrade a database file to the declarations of this program, from any older version.

What is computed can be rebuilt, so a table of the set-up, daily or derived tiers whose columns
changed is rebuilt and filled by the next collect or derive. Readings and receipts are kept: a
column that is new to them is added, and anything else is refused. What the declarations cannot tell
(a column that got another name or meaning) is a step of ``STEPS``.
"""

from collections.abc import Callable, Iterable

import duckdb

from flows.base.errors import UserError
from flows.store import facts
from schemas import generated
from schemas.catalogue import TABLES
from schemas.former_names import FORMER
from schemas.table import Table, Tier

# Raised by one whenever a warehouse of the version before could be misread by this program, or one
# of this program by the version before.
SCHEMA_VERSION = 4

_KEPT = (Tier.RECEIPT, Tier.READING)


def _crops_with_spaces(con: duckdb.DuckDBPyConnection) -> None:
    """Write crops as people do: 'spring wheat', where version 3 wrote 'spring_wheat'.

    Other tables with crops are computed, so they are rebuilt.
    """
    stored = stored_columns(con)
    for table in ("crop", "season", "price"):
        if "crop" in stored.get(table, {}):
            con.execute(f"UPDATE {table} SET crop = replace(crop, '_', ' ')")
    facts.set_fact(con, "derive_all", "true")


# Version that a warehouse has → what makes it one of the next, before the declarations are
# compared. A version without an entry needs no more than the declarations.
STEPS: dict[int, Callable[[duckdb.DuckDBPyConnection], object]] = {3: _crops_with_spaces}


def bring_up(con: duckdb.DuckDBPyConnection) -> bool:
    """Make or alter tables as declared; true where anything was changed. Call in a transaction.

    Raises UserError where the file was made by a later program, or cannot be upgraded.
    """
    stored = stored_columns(con)
    version = stored_version(con, stored)
    if version is not None:
        refuse_later(version)
        if version < SCHEMA_VERSION:
            for older in range(version, SCHEMA_VERSION):
                if older in STEPS:
                    STEPS[older](con)
            stored = stored_columns(con)
    if version is None and not stored:  # a new file: all at once is twice as fast
        con.execute("; ".join(generated.ddl(table) for table in TABLES.values()))
        changed = True
    else:
        changed = False
        for table in TABLES.values():
            changed |= _bring_up_table(con, table, stored.get(table.name), fresh=version is None)
    if changed or version != SCHEMA_VERSION:
        facts.set_fact(con, "schema_version", str(SCHEMA_VERSION))
        facts.set_fact(con, "for_readers", None)  # the next publish makes views and comments
        changed = True
    return changed


def stored_version(
    con: duckdb.DuckDBPyConnection, stored: dict[str, dict[str, str]] | None = None
) -> int | None:
    """Return the version of the file's tables; None of a file that has none yet."""
    if "about" not in (stored_columns(con) if stored is None else stored):
        return None
    return int(facts.fact(con, "schema_version") or 0)


def refuse_later(version: int) -> None:
    """Raise UserError if a warehouse's version is of a later program."""
    if version > SCHEMA_VERSION:
        raise UserError(
            f"This warehouse was made by a later Checkstrip (its tables are of version {version}, "
            f"this program knows up to {SCHEMA_VERSION}); nothing was changed: install the later "
            "Checkstrip again."
        )


def alters(con: duckdb.DuckDBPyConnection) -> bool:
    """Return whether an upgrade would change a table that the file has already."""
    stored = stored_columns(con)
    version = stored_version(con, stored)
    return version is not None and (
        version < SCHEMA_VERSION
        or any(not _stands(con, t, stored[t.name]) for t in TABLES.values() if t.name in stored)
    )


def stored_columns(con: duckdb.DuckDBPyConnection) -> dict[str, dict[str, str]]:
    """Return the tables of the file: name to the columns that are written, with SQL types, in order.

    Of a kept table these are the columns of what stands behind its view.
    """
    rows = con.sql(f"""
        SELECT c.table_name, c.column_name, c.data_type FROM duckdb_columns() c
        WHERE database_name = current_database() AND NOT internal AND (
            schema_name = '{generated.WIDE_SCHEMA}'
            OR schema_name = 'main' AND NOT EXISTS (
                FROM duckdb_views() v
                WHERE v.database_name = c.database_name
                    AND v.schema_name = 'main' AND v.view_name = c.table_name
            )
        )
        ORDER BY table_name, column_index
    """).fetchall()
    tables: dict[str, dict[str, str]] = {}
    for table, column, kind in rows:
        if column not in FORMER.get(table, {}):  # these are computed, not written
            tables.setdefault(table, {})[column] = kind
    return tables


def columns_of(con: duckdb.DuckDBPyConnection, relation: str) -> tuple[str, ...]:
    """Return the columns of a table or view (``relation`` as SQL), in order."""
    found = con.execute(f"SELECT * FROM {relation} LIMIT 0").description
    return tuple(column[0] for column in found)


def _bring_up_table(
    con: duckdb.DuckDBPyConnection, table: Table, stored: dict[str, str] | None, *, fresh: bool
) -> bool:
    if stored is not None and _stands(con, table, stored):
        return False
    if stored is None or table.tier not in _KEPT:
        con.execute(f"DROP TABLE IF EXISTS {generated.quoted(table.name)}")
        con.execute(generated.ddl(table))
        if not fresh:
            _to_be_filled(con, table)
        return True
    plain = table.wide and _is_plain(con, table)
    types = (
        {c.name: c.kind.value for c in table.columns} if plain else generated.stored_types(table)
    )
    if any(_stored_type(types.get(name, "")) != kind for name, kind in stored.items()):
        raise UserError(
            f"The table {table.name} of this warehouse has columns that this program does not know. "
            "Make the warehouse again from the archive with: checkstrip rebuild FOLDER"
        )
    if plain:
        _behind_view(con, table, stored)
    else:
        wanted = [c.name for c in table.columns if c.required or not table.wide]
        add_columns(con, table, [name for name in wanted if name not in stored])
    return True


def _stands(con: duckdb.DuckDBPyConnection, table: Table, stored: dict[str, str]) -> bool:
    """Whether a table that is there is as declared; a kept one may lack what never had a value."""
    declared = {name: _stored_type(kind) for name, kind in generated.stored_types(table).items()}
    if not table.wide:
        return stored == declared
    return (
        stored.items() <= declared.items()
        and columns_of(con, generated.quoted(table.name)) == table.names
        and not _is_plain(con, table)
    )


def _is_plain(con: duckdb.DuckDBPyConnection, table: Table) -> bool:
    """Whether a kept table is still a table of its own, as older programs made it."""
    found = con.execute(
        """
        FROM duckdb_tables()
        WHERE database_name = current_database() AND schema_name = 'main' AND table_name = ?
        """,
        [table.name],
    )
    return bool(found.fetchall())


def _behind_view(con: duckdb.DuckDBPyConnection, table: Table, stored: dict[str, str]) -> None:
    """Put a table of its own behind a view: only columns that have values, entries as lists."""
    quoted = generated.quoted
    names = [name for name in table.names if name in stored]
    counts = ", ".join(f"count({quoted(name)})" for name in names)
    (found,) = con.sql(f"SELECT {counts} FROM {quoted(table.name)}").fetchall()
    filled = [n for n, values in zip(names, found, strict=True) if values or table[n].required]
    con.execute(f"ALTER TABLE {quoted(table.name)} RENAME TO of_before; {generated.ddl(table)}")
    add_columns(con, table, [name for name in filled if not table[name].required])
    by = ", ".join(quoted(name) for name in filled if name not in table.list_columns)
    lists = "".join(
        f", list({quoted(name)} ORDER BY {quoted(table.list_columns[0])}) AS {quoted(name)}"
        for name in filled
        if name in table.list_columns
    )
    con.execute(f"""
        INSERT INTO {generated.store(table)} BY NAME
        SELECT {by}{lists} FROM of_before {f"GROUP BY {by}" if lists else ""};
        DROP TABLE of_before
    """)


def add_columns(con: duckdb.DuckDBPyConnection, table: Table, names: Iterable[str]) -> None:
    """Give a table further declared columns, all null; a view in front of it shows them too."""
    for name in names:
        kind = generated.stored_types(table)[name]
        con.execute(
            f"ALTER TABLE {generated.store(table)} ADD COLUMN {generated.quoted(name)} {kind}"
        )
    if table.wide:
        con.execute(generated.view(table, columns_of(con, generated.store(table))))
        facts.set_fact(con, "for_readers", None)  # its comments are gone with the view that was


def _to_be_filled(con: duckdb.DuckDBPyConnection, table: Table) -> None:
    """Have an empty table of a warehouse that has data filled by the next collect or derive."""
    facts.set_fact(con, "derive_all", "true")
    if table.tier is Tier.SETUP:
        # A book whose receipt names no set-up is read again by the next collect.
        con.execute(
            "UPDATE delivery SET setup = NULL WHERE source IN (SELECT unnest(?))",
            [list(TABLES["book_problem"]["book"].one_of)],
        )


def _stored_type(kind: str) -> str:
    return {"TIMESTAMPTZ": "TIMESTAMP WITH TIME ZONE"}.get(kind, kind)
