"""List what belongs to a backup: warehouse and archive of one moment, and what people keep."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from flows.base import files, lock
from flows.books import books
from flows.farm.folder import FarmFolder
from flows.store import checksum, upgrade, warehouse
from flows.store.archive import Archive
from schemas.farm.farm import Farm


@dataclass(frozen=True, slots=True)
class Frozen:
    """The warehouse of one moment as a file of its own, its checksum, and the archive of then.

    ``archive`` gives each file's path below the farm folder and its size; ``farm_id`` is known by
    the first delivery, and empty where there is none.
    """

    copy: Path
    checksum: str
    archive: list[tuple[Path, int]]
    farm_id: str


def freeze(folder: FarmFolder, copy: Path) -> Frozen:
    """Copy the warehouse and list the archive; only for that the writer waits.

    The archive's files never change, so their bytes may be read later. Raises Busy, UserError.
    """
    with lock.hold(folder.lock_file, "making a backup"):
        upgrade.must_be_current(folder.warehouse_file)
        con = warehouse.open_file(folder.warehouse_file, folder.state / "spill")
        try:
            total = checksum.total(con)
            # Without it the copy would lack what is still in the write-ahead log.
            con.execute("CHECKPOINT")
        finally:
            con.close()
        shutil.copyfile(folder.warehouse_file, copy)
        files.sync_file(copy)
        first = next(iter(Archive.open(folder.archive).receipts), None)
        paths = [path for path in sorted(folder.archive.glob("*/*")) if path.is_file()]
        archive = [(path.relative_to(folder.root), path.stat().st_size) for path in paths]
    farm_id = f"{first.sha256[:16]} {first.received_at.isoformat()}" if first else ""
    return Frozen(copy, total, archive, farm_id)


def other_files(folder: FarmFolder, farm: Farm) -> list[Path]:
    """Return the files that people keep and what the program remembers, if they are in the folder."""
    return sorted({path for path in _others(folder, farm) if path.is_relative_to(folder.root)})


def _others(folder: FarmFolder, farm: Farm) -> Iterator[Path]:
    yield folder.farm_toml
    trees = [folder.fieldbook_dir, folder.normals, folder.yield_maps, folder.digests]
    trees += [folder.reports, folder.audit, folder.state / "outbox"]
    book = books.fieldbook_path(folder, farm)
    if book is not None:
        trees.append(book)
    if farm.normals and farm.normals.table:
        trees.append(folder.root / farm.normals.table)
    for tree in trees:
        every = [tree] if tree.is_file() else tree.rglob("*")
        yield from (p for p in every if p.is_file() and not p.name.startswith((".", "~$")))
    yield from (p for p in folder.state.glob("*.json") if p.name != "published.json")
