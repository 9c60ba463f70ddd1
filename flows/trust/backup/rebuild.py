"""Rebuild the warehouse from the archive and the field book, beside the old one until it is whole."""

from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path

import duckdb

from flows.base import files, lock
from flows.base.errors import Attention
from flows.base.progress import Tick, silent
from flows.derive import derive
from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.intake import collect
from flows.store import checksum, connection, migrate, publish_guard, published, upgrade, warehouse
from flows.store.archive import Archive
from flows.store.publish_guard import Content
from flows.store.receipts import Known
from schemas.farm.farm import Farm

_NAMED = 20


@dataclass(frozen=True, slots=True)
class Rebuilt:
    """The new warehouse's checksum, that of the old one (if it could be read), and what is lost."""

    checksum: str
    before: str | None
    lost: list[str]

    def __str__(self) -> str:
        """In sentences."""
        match self.before:
            case None:
                compared = "There was no warehouse to compare it with."
            case self.checksum:
                compared = "It matches the warehouse before."
            case _:
                compared = f"The warehouse before had the checksum {self.before}."
        text = f"The warehouse was rebuilt; its checksum is {self.checksum}. {compared}"
        return f"{text} Lost, as accepted: {_listed(self.lost)}." if self.lost else text


def rebuild(folder: FarmFolder, tick: Tick = silent) -> str:
    """Rebuild the warehouse as ``rebuild_and_compare`` does; return its checksum."""
    return rebuild_and_compare(folder, tick).checksum


def rebuild_and_compare(
    folder: FarmFolder, tick: Tick = silent, *, accept_loss: bool = False
) -> Rebuilt:
    """Rebuild the warehouse, compare it with the old one, and put it in its place.

    Until the last moment the old warehouse stands untouched, so a rebuild may be broken off at
    any time. Raises Busy, UserError and Attention as collect and derive do, and Attention if the
    archive lacks something that the old warehouse or the receipts know (not with ``accept_loss``).
    """
    farm = farm_file.load(folder.farm_toml)
    fresh = folder.warehouse / "rebuilding.duckdb"
    with lock.hold(folder.lock_file, "rebuilding the warehouse"):
        upgrade.refuse_later(folder.warehouse_file)
        _remove(fresh)
        before = _read_before(folder)
        archive = collect.open_archive(before.known, folder, farm, search_backups=True)
        lacking = _lacking(archive, before, tick)
        if not accept_loss:
            _refuse(folder, list(lacking.values()))
        con = warehouse.open_file(fresh, folder.state / "spill")
        try:
            total, fewer = _fill(con, archive, farm, before, tick)
        finally:
            con.close()
        if not accept_loss:
            _refuse(folder, fewer)
        try:
            _put_in_place(fresh, folder.warehouse_file)
        except OSError as error:
            raise Attention(
                f"The new warehouse is whole but could not take the old one's place ({error}). "
                "The old one stands. Close whatever holds it, then rebuild again."
            ) from error
        if lacking or fewer:
            archive.accept_losses(path for path in lacking if path.parent.name != "receipts")
    return Rebuilt(total, before.checksum, [*lacking.values(), *fewer])


@dataclass(slots=True)
class _Before:
    """What the old warehouse knows; the published copy speaks for one that cannot be read."""

    known: Known = field(default_factory=Known)
    content: Content | None = None
    checksum: str | None = None
    names: dict[int, str] = field(default_factory=dict)


def _read_before(folder: FarmFolder) -> _Before:
    for path in (folder.warehouse_file, published.newest(folder)):
        if path is None or not path.exists():
            continue
        with suppress(duckdb.Error), closing(connection.connect(path, read_only=True)) as con:
            before = _Before(Known.of(con), Content.of(con))
            before.names = dict(con.sql("SELECT sequence, name FROM delivery").fetchall())
            with suppress(duckdb.Error):  # the tables of an older program
                before.checksum = checksum.total(con)
            return before
    return _Before()


def _lacking(archive: Archive, before: _Before, tick: Tick) -> dict[Path, str]:
    """Return what the archive lacks: file to sentence. All of it is read."""
    found: dict[Path, str] = {}
    listed = list(archive.files())
    for place, file in enumerate(listed):
        tick("checking the archive", place, len(listed))
        if sentence := archive.check(file):
            found[file.path] = sentence
    for number in archive.chain.missing:
        if number in before.names:
            path = archive.root / "receipts" / str(number)
            found[path] = f"{before.names[number]} (receipt {number})"
    return found


def _refuse(folder: FarmFolder, lost: list[str]) -> None:
    if lost:
        raise Attention(
            "Not rebuilt: the archive lacks data, and the rebuilt warehouse would be without it: "
            f"{_listed(lost)}. The old warehouse was left as it is. Connect the folder with the "
            f"backups and rebuild again. To go on without this data: checkstrip rebuild {folder.root} "
            "--accept-loss"
        )


def _listed(sentences: list[str]) -> str:
    more = len(sentences) - _NAMED
    return "; ".join(sentences[:_NAMED]) + (f"; and {more:,} more" if more > 0 else "")


def _fill(
    con: duckdb.DuckDBPyConnection, archive: Archive, farm: Farm, before: _Before, tick: Tick
) -> tuple[str, list[str]]:
    """Land and derive everything; return the checksum, and where readings are fewer than before.

    They are only compared if the same program read them by the same set-up.
    """
    with warehouse.transaction(con):
        migrate.bring_up(con)
    collect.land_from(con, archive, farm, tick)
    derive.derive(con, tick)
    fewer: list[str] = []
    after = Content.of(con)
    if before.content and before.content.facts.get("landed_by") == after.facts.get("landed_by"):
        fewer = after.losses_against(before.content, readings_only=True)
    with warehouse.transaction(con):
        publish_guard.explain_loss(con, publish_guard.ALL)
    total = checksum.total(con)
    con.execute("CHECKPOINT")
    return total, fewer


def _put_in_place(fresh: Path, old: Path) -> None:
    """Swap the files; the old one's log must not be read into the new."""
    if old.exists():
        # Closing brings the log into the file. A damaged old file cannot do so, and need not.
        with suppress(duckdb.Error), connection.connect(old) as con:
            con.execute("CHECKPOINT")
    log = old.with_name(old.name + ".wal")
    log.unlink(missing_ok=True)
    files.replace(fresh, old)
    files.sync_folder(old.parent)


def _remove(path: Path) -> None:
    for one in (path, path.with_name(path.name + ".wal")):
        one.unlink(missing_ok=True)
