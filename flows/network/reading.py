"""Open the newest snapshot to read from: a DuckDB database in memory, which reaches nothing else."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

import duckdb
import polars as pl

from flows.base.errors import UserError
from flows.network import snapshot
from flows.network.snapshot import Expired, Snapshot
from flows.share.objects import Objects
from flows.store import connection, warehouse
from schemas import generated
from schemas.catalogue import NETWORK
from schemas.network import SHARED, shared

NO_SNAPSHOT = "The network has no snapshot yet. It is made by: checkstrip network run"


def newest(objects: Objects) -> tuple[Snapshot, dict[str, pl.DataFrame]]:
    """Return the newest snapshot and the tables that readers may see.

    Raises UserError if there is none, Expired if its files are deleted faster than they are read.
    """
    for last in (False, True):
        found = snapshot.current(objects)
        if found is None:
            raise UserError(NO_SNAPSHOT)
        try:
            return found, dict(snapshot.frames(objects, found.tables))
        except Expired:
            if last:
                raise
    raise AssertionError


@contextmanager
def open_snapshot(objects: Objects) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open the newest snapshot: its tables with the comments of their declarations."""
    found, frames = newest(objects)
    frames["network_snapshot"] = files_of(found)
    with connection.connect(Path(":memory:")) as con:
        for name, rows in frames.items():
            table = shared(name) if name in SHARED else NETWORK[name]
            con.execute(generated.ddl(table))
            with warehouse.shown(con, _rows=rows):
                con.execute(f"INSERT INTO {generated.quoted(name)} BY NAME SELECT * FROM _rows")
            con.execute("; ".join(generated.comments(table)))
        yield con


def files_of(found: Snapshot) -> pl.DataFrame:
    """Return the rows of ``network_snapshot``: the files that readers get."""
    rows = [
        {
            "sequence": found.sequence,
            "table_name": name,
            "made_at": datetime.fromisoformat(found.made_at),
            "object": stored.object,
            "rows": stored.rows,
            "bytes": stored.bytes,
        }
        for name, stored in sorted(found.tables.items())
    ]
    table = NETWORK["network_snapshot"]
    return pl.DataFrame(rows, schema=generated.polars_schema(table))
