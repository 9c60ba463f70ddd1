"""Put a backup back into a new folder, and compare it with what it was when it was made."""

from __future__ import annotations

import shutil
from dataclasses import dataclass, field
from pathlib import Path

from flows.base import lock
from flows.base.errors import Attention, UserError
from flows.base.plain_text import counted
from flows.base.progress import Tick, silent
from flows.farm.folder import FarmFolder
from flows.store import checksum, upgrade, warehouse
from flows.store.backup_objects import Damaged
from flows.trust import archive_check
from flows.trust.backup import manifest, rebuild
from flows.trust.backup.backup_folder import Store
from flows.trust.backup.manifest import WAREHOUSE, Manifest

# Is in a folder until a restore is whole; farm.toml is written last.
MARK = "restore not finished.txt"
ARCHIVE = "archive/"


@dataclass(slots=True)
class Restored:
    """The result of a restore, in sentences; ``wrong`` has what did not come back as it was."""

    folder: FarmFolder
    sentences: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)


def restore(source: Path, target: Path, at: str | None = None, tick: Tick = silent) -> Restored:
    """Restore the newest backup, or that named ``at``, into a new or empty folder.

    A damaged warehouse is rebuilt from the archive. Raises UserError if there is no such
    backup, the folder is not empty, or it was made by a later Checkstrip; Attention if a disk
    fails, or both the warehouse and the archive are damaged.
    """
    store = Store(source.expanduser().absolute())
    whole, unreadable = _chosen(store, at)
    root = target.expanduser().absolute()
    _make_empty(root)
    done = Restored(FarmFolder(root), wrong=unreadable)
    try:
        _require_room(root, whole)
        (root / MARK).write_text("Run the same checkstrip restore again.\n", encoding="utf-8")
        done.folder.make()
        damaged = _fetch_all(store, whole, root, tick)
        (root / MARK).unlink()
    except OSError as trouble:
        raise Attention(
            f"The restore into {root} was broken off: {trouble}. The backup is untouched; run the "
            "same command again."
        ) from trouble
    done.sentences.append(
        f"Restored {len(whole.files) - len(damaged):,} of {counted(len(whole.files), 'file')} of backup "
        f"{whole.name} of {whole.farm} into {root}; each was compared with its SHA-256."
    )
    if whole.lacks:
        done.wrong.append(
            f"The archive lacked files when this backup was made: "
            f"{archive_check.listed(list(whole.lacks))}. An earlier backup (--at) may have them."
        )
    _check(done, whole, damaged, tick)
    return done


def _chosen(store: Store, at: str | None) -> tuple[Manifest, list[str]]:
    """Return the backup to restore, and what may be newer but cannot be read."""
    found, wrong = store.backups()
    unreadable = "".join(f"\n  {sentence}" for sentence in wrong)
    if not found:
        raise UserError(f"There is no backup in {store.root}.{unreadable}")
    if at is None:
        return found[-1], wrong
    for one in found:
        if one.name == at:
            return one, []
    names = ", ".join(one.name for one in found[-10:])
    raise UserError(f"There is no backup {at} in {store.root}; the last are {names}.{unreadable}")


def _make_empty(root: Path) -> None:
    """Check that nothing is overwritten; what a restore left that was broken off is cleared away."""
    if root.exists() and not root.is_dir():
        raise UserError(f"{root} is a file, not a folder.")
    if (root / MARK).is_file() and not (root / "farm.toml").exists():
        for path in root.iterdir():
            shutil.rmtree(path) if path.is_dir() and not path.is_symlink() else path.unlink()
    if root.exists() and any(root.iterdir()):
        raise UserError(f"{root} is not empty, and nothing is overwritten. Name a new folder.")
    root.mkdir(parents=True, exist_ok=True)


def _require_room(root: Path, whole: Manifest) -> None:
    free = shutil.disk_usage(root).free
    if free < whole.size:
        raise OSError(f"{whole.size / 1e6:,.0f} MB are needed, {free / 1e6:,.0f} MB are free")


def _fetch_all(store: Store, whole: Manifest, root: Path, tick: Tick) -> list[str]:
    """Write every file whose bytes are right; return the others' paths. farm.toml comes last."""
    damaged = []
    ordered = sorted(whole.files, key=lambda entry: (entry.path == "farm.toml", entry.path))
    for place, entry in enumerate(ordered):
        tick("restoring", place, len(ordered))
        try:
            store.fetch(entry, root / entry.path)
        except Damaged:
            damaged.append(entry.path)
    if "farm.toml" in damaged:
        raise Attention(
            f"The farm.toml of backup {whole.name} is damaged; take another one with --at."
        )
    return damaged


def _check(done: Restored, whole: Manifest, damaged: list[str], tick: Tick) -> None:
    """Compare the warehouse's checksum; rebuild it if it is damaged."""
    archive = [path for path in damaged if path.startswith(ARCHIVE)]
    if damaged:
        listed = ", ".join(damaged[:5]) + (
            f" and {len(damaged) - 5} more" if len(damaged) > 5 else ""
        )
        done.wrong.append(
            f"{counted(len(damaged), 'file')} damaged or missing in the backup: {listed}."
        )
    if not _is_sound(done, whole, damaged):
        if archive:
            raise Attention(
                f"The warehouse of backup {whole.name} is damaged, and so are {counted(len(archive), 'file')} "
                f"of its archive. Take another backup with --at; {done.folder.root} holds what came "
                "back."
            )
        done.folder.warehouse_file.unlink(missing_ok=True)
        total = rebuild.rebuild(done.folder, tick)
        done.wrong.append("The warehouse was damaged; it was rebuilt from the archive.")
        _compare(done, whole, total)
    elif archive:
        done.wrong.append(
            "The warehouse is whole, with all readings; but a rebuild would lack those files."
        )


def _is_sound(done: Restored, whole: Manifest, damaged: list[str]) -> bool:
    """Return whether the warehouse's bytes came back, with the checksum they had."""
    if WAREHOUSE in damaged:
        return False
    path = done.folder.warehouse_file
    with lock.hold(done.folder.lock_file, "restoring"):
        upgrade.refuse_later(path)
        if whole.tables != manifest.declared():
            done.sentences.append(
                f"It was made by Checkstrip {whole.program}, whose tables are others: its bytes are "
                "those that were stored, and the next turn brings it up to this program."
            )
            return True
        with warehouse.open_reader(path) as con:
            total = checksum.total(con)
    return total == whole.checksum and _compare(done, whole, total)


def _compare(done: Restored, whole: Manifest, total: str) -> bool:
    same = total == whole.checksum
    if same:
        done.sentences.append(f"The warehouse says what it said then ({total}).")
    else:
        done.wrong.append(
            f"The warehouse says {total}, and {whole.checksum} when the backup was made. Another "
            "version of the program computes some tables otherwise; the readings come from the "
            "archive as they came."
        )
    return same
