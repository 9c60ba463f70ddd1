"""List what belongs to a backup: warehouse and archive of one moment, and what people keep."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from flows.base import files, lock
from flows.base.progress import Tick
from flows.books import books
from flows.farm.folder import FarmFolder
from flows.store import checksum, upgrade, warehouse
from flows.store.archive import Archive
from flows.store.archive_reader import ArchiveFile
from flows.store.backup_objects import reachable
from flows.store.receipts import Known
from flows.trust import archive_check
from schemas.farm.farm import Farm


@dataclass(frozen=True, slots=True)
class Frozen:
    """The warehouse of one moment as a file of its own, its checksum, and the archive of then.

    ``archive`` has the files that must be there by the receipts, ``wrong`` a sentence for each path
    of them that is missing or damaged, ``repaired`` what was fetched from a backup. ``farm_id`` is
    known by the first delivery, and empty where there is none.
    """

    copy: Path
    checksum: str
    archive: list[ArchiveFile]
    wrong: dict[Path, str]
    repaired: list[str]
    farm_id: str


def freeze(folder: FarmFolder, copy: Path, to: str | None, tick: Tick, *, read_all: bool) -> Frozen:
    """Copy the warehouse and list the archive; only for that the writer waits.

    The archive's files never change, so their bytes may be read later. Files that are missing or
    cut (with ``read_all`` changed ones too) are first fetched from a backup: those in ``to``, as
    farm.toml has it, and those made before. Raises Busy, UserError.
    """
    with (
        lock.hold(folder.lock_file, "making a backup"),
        warehouse.damage_reported(folder),
    ):
        upgrade.must_be_current(folder.warehouse_file)
        con = warehouse.open_file(folder.warehouse_file, folder.state / "spill")
        try:
            total = checksum.total(con)
            known = Known.of(con)
            # Without it the copy would lack what is still in the write-ahead log.
            con.execute("CHECKPOINT")
        finally:
            con.close()
        shutil.copyfile(folder.warehouse_file, copy)
        files.sync_file(copy)
        archive = Archive.open(folder.archive, known, lambda: reachable(folder, to))
        listed, wrong = list(archive.files()), dict[Path, str]()
        for place, file in enumerate(listed):
            tick("checking the archive", place, len(listed))
            if (read_all or archive_check.problem_of_size(archive, file)) and (
                sentence := archive.check(file)
            ):
                wrong[file.path] = sentence
        if archive.chain.problems:  # nobody knows what the lost receipts were of: keep all
            listed += _strays(folder.archive, listed)
    first = next(iter(archive.receipts), None)
    farm_id = f"{first.sha256[:16]} {first.received_at.isoformat()}" if first else ""
    return Frozen(copy, total, listed, wrong, archive.repaired, farm_id)


def _strays(archive: Path, listed: list[ArchiveFile]) -> list[ArchiveFile]:
    """Return the archive's files that no receipt names."""
    known = {file.path for file in listed}
    return [
        ArchiveFile(path, path.stat().st_size, None, path.name)
        for path in sorted(archive.glob("*/*"))
        if path.is_file() and path not in known
    ]


def other_files(folder: FarmFolder, farm: Farm) -> list[Path]:
    """Return the files that people keep and what the program remembers, if they are in the folder."""
    return sorted({path for path in _others(folder, farm) if path.is_relative_to(folder.root)})


def _others(folder: FarmFolder, farm: Farm) -> Iterator[Path]:
    yield folder.farm_toml
    trees = [folder.fieldbook_dir, folder.normals, folder.yield_maps, folder.ground, folder.digests]
    trees += [folder.plans, folder.reports, folder.audit, folder.state / "outbox"]
    book = books.fieldbook_path(folder, farm)
    if book is not None:
        trees.append(book)
    if farm.normals and farm.normals.table:
        trees.append(folder.root / farm.normals.table)
    for tree in trees:
        every = [tree] if tree.is_file() else tree.rglob("*")
        yield from (p for p in every if p.is_file() and not p.name.startswith((".", "~$")))
    yield from (p for p in folder.state.glob("*.json") if p.name != "published.json")
