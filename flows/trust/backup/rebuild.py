"""Rebuild the warehouse from the archive and the field book, beside the old one until it is whole."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import duckdb

from flows.base import files, lock
from flows.base.errors import Attention
from flows.base.progress import Tick, silent
from flows.derive import derive
from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.intake import collect
from flows.store import checksum, migrate, upgrade, warehouse


def rebuild(folder: FarmFolder, tick: Tick = silent) -> str:
    """Rebuild the warehouse and put it in the old one's place; return its checksum.

    Until the last moment the old warehouse stands untouched, so a rebuild may be broken off at
    any time. Raises Busy, UserError and Attention as collect and derive do.
    """
    farm = farm_file.load(folder.farm_toml)
    fresh = folder.warehouse / "rebuilding.duckdb"
    with lock.hold(folder.lock_file, "rebuilding the warehouse"):
        upgrade.refuse_later(folder.warehouse_file)
        _remove(fresh)
        con = warehouse.open_file(fresh, folder.state / "spill")
        try:
            with warehouse.transaction(con):
                migrate.bring_up(con)
            collect.land_all(con, folder, farm, tick)
            derive.derive(con, tick)
            total = checksum.total(con)
            con.execute("CHECKPOINT")
        finally:
            con.close()
        try:
            _put_in_place(fresh, folder.warehouse_file)
        except OSError as error:
            raise Attention(
                f"The new warehouse is whole but could not take the old one's place ({error}). "
                "The old one stands. Close whatever holds it, then rebuild again."
            ) from error
    return total


def _put_in_place(fresh: Path, old: Path) -> None:
    """Swap the files; the old one's log must not be read into the new."""
    if old.exists():
        # Closing brings the log into the file. A damaged old file cannot do so, and need not.
        with suppress(duckdb.Error), duckdb.connect(str(old)) as con:
            con.execute("CHECKPOINT")
    log = old.with_name(old.name + ".wal")
    log.unlink(missing_ok=True)
    fresh.replace(old)
    files.sync_folder(old.parent)


def _remove(path: Path) -> None:
    for one in (path, path.with_name(path.name + ".wal")):
        one.unlink(missing_ok=True)
