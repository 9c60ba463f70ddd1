"""The writer's database: one writer at a time, tables as declared, checked before they are written.

Others never open this file; they read the published copy (see ``flows/store/publish.py``).
"""

from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from flows.base import files, lock
from flows.base.errors import UserError
from flows.base.plain_text import counted
from flows.farm.folder import FarmFolder
from flows.store import connection, facts, flow_runs, migrate, programs, upgrade, wide_rows
from schemas import generated
from schemas.table import Table

# Rows of these say nothing that a reader waits for.
UNSEEN = ("about", "touched_day", "flow_run")


@contextmanager
def open_writer(
    folder: FarmFolder, doing: str = "writing the warehouse"
) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open the connection of the one writer, its tables made as declared.

    Holds the operating system's lock for as long as it is open. Raises Busy when another process
    writes, UserError when the file cannot be opened or is of a later Checkstrip (or its tables are), and Attention when
    it is damaged, or an older one cannot be saved before its upgrade.
    """
    with lock.hold(folder.lock_file, doing), files.private(), damage_reported(folder):
        upgrade.save_before_upgrade(folder.warehouse_file)
        con = open_file(folder.warehouse_file, folder.state / "spill")
        try:
            with transaction(con):
                migrate.bring_up(con)
                programs.refuse_older(con)
                written = flow_runs.write_waiting(con, folder)
            flow_runs.forget(written)
            yield con
        finally:
            con.close()
        upgrade.left_current(folder.warehouse_file)


def damage_reported(folder: FarmFolder) -> AbstractContextManager[None]:
    """Raise Attention, naming the command that helps, if the warehouse is found damaged inside."""
    return connection.damage_reported(
        folder.warehouse_file,
        "The archive still has what the files brought. Make the warehouse again with: "
        f"checkstrip rebuild {folder.root}",
    )


def open_file(path: Path, spill: Path | None = None) -> duckdb.DuckDBPyConnection:
    """Open a database file for writing; a new file is for this user alone."""
    files.make_folder_for(path.parent, 0o711)
    try:
        with files.private():
            return connection.connect(path, spill=spill)
    except duckdb.IOException as error:
        raise UserError(
            f"The warehouse {path} cannot be opened: {_first_line(error)}. Other programs should "
            "open the copy under published/ instead; close whatever holds this file and try again."
        ) from error


def open_reader(path: Path) -> duckdb.DuckDBPyConnection:
    """Open a published copy for reading only."""
    return connection.connect(path, read_only=True)


@contextmanager
def transaction(con: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """Write all that is written inside, or none of it."""
    con.execute("BEGIN TRANSACTION")
    try:
        yield
    except BaseException:
        con.execute("ROLLBACK")
        raise
    con.execute("COMMIT")


@contextmanager
def shown(con: duckdb.DuckDBPyConnection, **frames: pl.DataFrame) -> Iterator[None]:
    """Let queries inside name these frames as tables."""
    try:
        for name, frame in frames.items():
            con.register(name, frame)
        yield
    finally:
        for name in frames:
            con.unregister(name)


def read(
    con: duckdb.DuckDBPyConnection,
    table: Table,
    where: str = "",
    columns: Sequence[str] | None = None,
) -> pl.DataFrame:
    """Return the rows of a table with exactly the declared columns (or some) and types, sorted by its key."""
    wanted = table.names if columns is None else columns
    names = ", ".join(generated.quoted(name) for name in wanted)
    order = ", ".join(generated.quoted(name) for name in table.key) or "ALL"
    condition = f"WHERE {where} " if where else ""
    rows = con.sql(
        f"SELECT {names} FROM {generated.quoted(table.name)} {condition}ORDER BY {order}"
    )
    return generated.conform(rows.pl(), table).select(wanted)


def append(con: duckdb.DuckDBPyConnection, table: Table, frame: pl.DataFrame) -> None:
    """Add rows to a table; raises ValueError in plain words where they break its declaration."""
    check(table, frame)
    insert(con, table, frame)


def changed(con: duckdb.DuckDBPyConnection) -> None:
    """Note that something that readers should see has changed, so that it is published.

    ``insert`` and ``replace`` do so themselves; it is for whoever writes with SQL of their own.
    """
    facts.counted_up(con, "revision")


def revision(con: duckdb.DuckDBPyConnection) -> int:
    """Return how often the content was changed."""
    return int(facts.fact(con, "revision") or 0)


def replace(con: duckdb.DuckDBPyConnection, table: Table, frame: pl.DataFrame) -> None:
    """Make the rows of a table these; raises ValueError where they break its declaration."""
    check(table, frame)
    rewrite(con, table, frame)


def rewrite(con: duckdb.DuckDBPyConnection, table: Table, frame: pl.DataFrame) -> None:
    """Make the rows of a table these, which were checked already.

    Not TRUNCATE: inside one transaction that also reads the table a plain delete is safe.
    """
    con.execute(f"DELETE FROM {generated.store(table)}")
    if frame.is_empty() and table.name not in UNSEEN:
        changed(con)
    insert(con, table, frame)


def update(
    con: duckdb.DuckDBPyConnection, table: Table, before: pl.DataFrame, after: pl.DataFrame
) -> pl.DataFrame:
    """Make rows of a table, read ``before``, these, which were checked; return those gone and new.

    Only rows that differ are written, so a table that gains a day does not grow by its size.
    """
    if before.equals(after):
        return after.clear()
    gone = before.join(after, on=table.names, how="anti", nulls_equal=True)
    if not gone.is_empty():
        same = " AND ".join(f"t.{generated.quoted(n)} = g.{generated.quoted(n)}" for n in table.key)
        with shown(con, rows_gone=gone.select(table.key)):
            con.execute(f"DELETE FROM {generated.store(table)} t USING rows_gone g WHERE {same}")
        changed(con)
    new = after.join(before, on=table.names, how="anti", nulls_equal=True)
    # Rows of a day lie together, so that a reader of some days skips the others.
    insert(con, table, new.sort("day") if "day" in new.columns else new)
    return pl.concat([gone, new])


def insert(
    con: duckdb.DuckDBPyConnection,
    table: Table,
    frame: pl.DataFrame,
    columns: Sequence[str] | None = None,
) -> None:
    """Add rows that were checked already; with ``columns`` only these, the others being null.

    Of a table with lists the rows may be single entries or as they are kept.
    """
    if frame.is_empty():
        return
    rows = frame.select(table.names if columns is None else columns)
    if table.list_columns and not wide_rows.is_bundled(rows, table):
        rows = wide_rows.bundled(rows, table)
    if table.wide:
        rows = _with_columns_of_store(con, table, rows)
    names = ", ".join(generated.quoted(name) for name in rows.columns)
    with shown(con, rows_to_insert=rows):
        con.execute(
            f"INSERT INTO {generated.store(table)} ({names}) SELECT {names} FROM rows_to_insert"
        )
    if table.name not in UNSEEN:
        changed(con)


def _with_columns_of_store(
    con: duckdb.DuckDBPyConnection, table: Table, rows: pl.DataFrame
) -> pl.DataFrame:
    """Rows without columns that never had a value; the store gets those that now have the first."""
    there = migrate.columns_of(con, generated.store(table))
    new = [name for name in rows.columns if name not in there]
    filled = [name for name in new if wide_rows.has_values(rows[name])]
    if filled:
        migrate.add_columns(con, table, filled)
    return rows.drop(name for name in new if name not in filled)


def insert_many(con: duckdb.DuckDBPyConnection, table: Table, frame: pl.DataFrame) -> None:
    """``insert`` of some columns of a table, the others null, in whatever order is fastest."""
    con.execute("SET preserve_insertion_order = false")
    try:
        insert(con, table, frame, frame.columns)
    finally:
        con.execute("SET preserve_insertion_order = true")


def check(table: Table, frame: pl.DataFrame) -> None:
    """Check rows against their declaration; raise ValueError that names the first faults."""
    if generated.fits(table, frame):
        return
    # here, so that what writes nothing wrong never loads it
    from pandera.errors import SchemaErrors  # noqa: PLC0415

    try:
        generated.check(table).validate(frame, lazy=True)
    except SchemaErrors as errors:
        cases = errors.failure_cases
        first = "; ".join(_fault(table, case) for case in cases.head(3).to_dicts())
        raise ValueError(
            f"{counted(len(cases), 'value')} outside the declaration of {table.name}. {first}"
        ) from errors


def _fault(table: Table, case: dict[str, Any]) -> str:
    """Return one of pandera's failure cases as text."""
    if case["check"] == "multiple_fields_uniqueness":
        return f"the same {', '.join(table.key)} twice: {case['failure_case']}"
    return f"{case['column'] or table.name}: {case['failure_case']} breaks {case['check']}"


def _first_line(error: Exception) -> str:
    return str(error).strip().splitlines()[0].rstrip(".")
