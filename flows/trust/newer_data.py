"""Tell whether the published copy has all that the archive and the warehouse have."""

from contextlib import closing
from datetime import UTC, datetime

import duckdb

from flows.base import lock
from flows.base.errors import Busy, UserError
from flows.farm.folder import FarmFolder
from flows.store import migrate, published, query, warehouse
from flows.trust import archive_check
from schemas.catalogue import TABLES


def sentences(folder: FarmFolder, con: duckdb.DuckDBPyConnection) -> list[str]:
    """Return why the published copy (``con`` is open on it) is not the newest; empty if it is.

    A writer that is at work is not waited for; files that it has taken in are seen all the same.
    Raises UserError if the copy has the tables of another version of the program.
    """
    if migrate.alters(con) or not TABLES.keys() <= set(query.tables(con)):
        raise UserError(
            "The published copy was made by another version of Checkstrip. Run first: "
            f"checkstrip once {folder.root}"
        )
    archive = archive_check.read(folder, con)
    waiting = len({one.sequence for one in archive.receipts} - archive.known.sequences)
    found = [f"Newer files are in the archive and not published: {waiting:,}."] if waiting else []
    try:
        with lock.hold(folder.lock_file, "comparing the published copy"):
            if not waiting and _is_changed(folder, con):
                found.append("The warehouse has newer data that is not published.")
    except Busy:
        pass
    return [*found, f"Run: checkstrip once {folder.root}"] if found else []


def _is_changed(folder: FarmFolder, con: duckdb.DuckDBPyConnection) -> bool:
    """Return whether the warehouse has another revision than the published copy."""
    if not folder.warehouse_file.exists():
        return False
    with closing(warehouse.open_reader(folder.warehouse_file)) as writer:
        return warehouse.revision(writer) != warehouse.revision(con)


def published_at(folder: FarmFolder) -> str:
    """Return when the published copy was made, in UTC."""
    path = published.newest(folder)
    made = path.stat().st_mtime if path else 0.0
    return datetime.fromtimestamp(made, UTC).strftime("%Y-%m-%d %H:%M UTC")
