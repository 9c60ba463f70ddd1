"""Before an older warehouse is upgraded, a copy of it is saved; a later one is not touched at all.

``warehouse/checkstrip-version-1-2026-11-25.duckdb`` is a whole warehouse of that version. To go
back, put the older program and that file in the place of the newer ones. It stays until somebody
deletes it.
"""

import shutil
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import duckdb

from flows.base import files
from flows.base.errors import Attention, UserError
from flows.store import connection, facts, migrate


def save_before_upgrade(path: Path) -> None:
    """Look at the warehouse without writing; save a copy if it is about to be changed.

    The caller holds the writer's lock. Raises UserError where it is of a later program, and
    Attention where there is no room for the copy; then nothing was changed.
    """
    found = _stored_version(path)
    if found.alters and not _is_saved(path, found):
        _save_copy(path, found.version)


def must_be_current(path: Path) -> None:
    """Raise UserError where the warehouse is of a later program, or not upgraded to this one yet."""
    if _stored_version(path).alters:
        raise UserError(
            "This Checkstrip is newer than the warehouse. Run first: "
            f"checkstrip once {path.parent.parent}"
        )


def refuse_later(path: Path) -> None:
    """Raise UserError where the warehouse is of a later program; it is not opened for writing."""
    _stored_version(path)


@dataclass(frozen=True, slots=True)
class _StoredVersion:
    """The version of a warehouse's tables, its revision, and whether an upgrade alters a table."""

    version: int = 0
    revision: str | None = None
    alters: bool = False


def left_current(path: Path) -> None:
    """Note that this process brought a warehouse up to date and closed it.

    As long as the file is as it was left, it need not be opened to know that.
    """
    with suppress(OSError):
        _left[path] = _as_it_is(path)


# Per process: a warehouse's file as it was when last closed, with all of its tables as declared.
_left: dict[Path, tuple[int, ...]] = {}


def _as_it_is(path: Path) -> tuple[int, ...]:
    """Return what tells one state of a closed database file from another; () if it has an open log."""
    if path.with_name(path.name + ".wal").exists():
        return ()
    stat = path.stat()
    return stat.st_dev, stat.st_ino, stat.st_size, stat.st_mtime_ns


def _stored_version(path: Path) -> _StoredVersion:
    if not path.exists() or (_left.get(path) and _left[path] == _as_it_is(path)):
        return _StoredVersion()
    with suppress(duckdb.Error), closing(connection.connect(path, read_only=True)) as con:
        version = migrate.stored_version(con)
        if version is not None:
            migrate.refuse_later(version)
            return _StoredVersion(version, facts.fact(con, "revision"), migrate.alters(con))
    return _StoredVersion()  # if it is damaged, whoever opens it for work says so


def saved_copies(path: Path) -> list[Path]:
    """Return the copies that were saved before upgrades, oldest first."""
    return sorted(
        path.parent.glob(f"{path.stem}-version-*.duckdb"), key=lambda p: p.stat().st_mtime
    )


def _save_copy(path: Path, version: int) -> None:
    day = datetime.now(UTC).strftime("%Y-%m-%d")
    target = path.with_name(f"{path.stem}-version-{version}-{day}.duckdb")
    number = 1
    while target.exists():
        number += 1
        target = path.with_name(f"{path.stem}-version-{version}-{day}-{number}.duckdb")
    part = target.with_suffix(".part")
    try:
        # Without it the copy would lack what is still in the write-ahead log.
        with connection.connect(path) as con:
            con.execute("CHECKPOINT")
        shutil.copyfile(path, part)
        files.sync_file(part)
        files.replace(part, target)
        files.sync_folder(target.parent)
    except (OSError, duckdb.Error) as error:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        raise Attention(
            f"This Checkstrip is newer than the warehouse, and the copy that is saved before the "
            f"upgrade cannot be written ({str(error).strip().splitlines()[0]}). "
            f"Nothing was changed. Make room in {path.parent}, then try again."
        ) from error


def _is_saved(path: Path, found: _StoredVersion) -> bool:
    """Return whether a copy of that version and revision was saved before.

    So a step that fails at every try does not fill the disk with copies.
    """
    for copy in path.parent.glob(f"{path.stem}-version-{found.version}-*.duckdb"):
        with suppress(duckdb.Error), connection.connect(copy, read_only=True) as con:
            if facts.fact(con, "revision") == found.revision:
                return True
    return False
