"""The copy of the warehouse that others open.

The checkpointed file is made small if it is not (``packed``), copied, forced to disk and moved into
place in one step. A reader sees the old copy or the new one, never a mixture, and may keep the old one
open for days. Windows cannot replace a file that is open: there the new copy stays under a numbered
name until the fixed name is free, and ``newest`` finds it. Published copies are read-only files.
"""

import json
import shutil
import stat
import sys
from contextlib import closing, suppress
from dataclasses import asdict, dataclass
from pathlib import Path

import duckdb

from flows.base import files, lock
from flows.base.errors import Attention, UserError
from flows.farm.folder import FarmFolder
from flows.store import connection, customary, facts, flow_runs, packed, upgrade, warehouse
from flows.store.archive_bytes import sha256_of
from flows.store.publish_guard import Content
from flows.store.published import Record, newest, record_file, recorded
from schemas import generated
from schemas.catalogue import TABLES


@dataclass(frozen=True, slots=True)
class Published:
    """What a publish did."""

    path: Path
    new: bool
    waits: bool = False

    def __str__(self) -> str:
        """In a sentence."""
        if self.new:
            return f"Published {self.path.name}."
        if self.waits:
            return f"The tables wait for derive to make them again; until then {self.path.name} stands."
        return f"Nothing new to publish; {self.path.name} stands."


def publish(folder: FarmFolder, *, accept_loss: bool = False) -> Published:
    """Put a copy of the warehouse where others read it, unless the one there says the same.

    Raises Busy where another process writes, UserError where there is no warehouse, and Attention
    where the copy cannot be written, or has lost rows without a known reason (see
    ``publish_guard``; not with ``accept_loss``); the copy published before then stands.
    """
    if not folder.warehouse_file.exists():
        raise UserError(
            f"There is nothing to publish yet. Run first: checkstrip once {folder.root}"
        )
    with (
        lock.hold(folder.lock_file, "publishing"),
        files.private(),
        warehouse.damage_reported(folder),
    ):
        upgrade.must_be_current(folder.warehouse_file)
        before, there = recorded(folder), newest(folder)
        # A copy that is damaged, or another one, is replaced.
        intact = there is not None and before.sha256 == sha256_of(there)
        number = before.number
        with closing(warehouse.open_file(folder.warehouse_file, folder.state / "spill")) as con:
            with warehouse.transaction(con):
                customary.install(con)
                written = flow_runs.write_waiting(con, folder)
            flow_runs.forget(written)
            content, waits = _content(con)
            if there is not None and waits:
                return Published(there, new=False, waits=True)
            new = not intact or before.says != content
            holds = Content.of(con)
            if there is not None and new and not accept_loss:
                _refuse_loss(holds, _held(before, there, intact=intact), folder)
            # Without it the copy would silently lack what is still in the write-ahead log.
            con.execute("CHECKPOINT")
            block, used = connection.blocks(con)
        try:
            small = before.small
            if new:
                number += 1
                small = packed.pack(folder.warehouse_file, block, used, small=small)
                there = _copy(folder, number)
            assert there is not None
            path = _settle(folder, there)
            record = Record(
                number, path.name, content, sha256_of(path), small, holds.rows, holds.facts
            )
            files.write_text(record_file(folder), json.dumps(asdict(record)))
        except OSError as error:
            raise Attention(
                f"The copy for readers could not be written to {folder.published} ({error}). "
                "The one published before stands. Make room or give access, then try again."
            ) from error
        _tidy(folder, path)
        return Published(path, new)


def _held(before: Record, there: Path, *, intact: bool) -> Content | None:
    """Return what the published copy holds; None if nobody can read it: there is nothing to protect."""
    if intact and before.rows:
        return Content(before.rows, before.facts)
    try:
        with closing(warehouse.open_reader(there)) as published:
            return Content.of(published)
    except duckdb.Error:
        return None


def _refuse_loss(holds: Content, before: Content | None, folder: FarmFolder) -> None:
    """Raise Attention if the published copy has rows that the warehouse lost without a reason."""
    losses = holds.losses_against(before) if before else []
    if losses:
        raise Attention(
            "Not published: the warehouse has fewer rows than the published copy, and no change of "
            f"farm.toml, a book or a file explains it ({'; '.join(losses[:5])}). The published copy "
            "was left as it is. Restore a backup, or look for the cause with: checkstrip audit "
            f"{folder.root}. To publish all the same: checkstrip publish {folder.root} --accept-loss"
        )


def _content(con: duckdb.DuckDBPyConnection) -> tuple[str, bool]:
    """Return what the content is known by, and whether an upgrade emptied tables that are not filled again yet."""
    counts = " UNION ALL ".join(
        f"SELECT {generated.literal(name)}, count(*) FROM {generated.quoted(name)}"
        for name in TABLES
        if name not in warehouse.UNSEEN
    )
    about = con.sql("SELECT fact, value FROM about").fetchall()
    content = json.dumps([sorted(con.sql(counts).fetchall()), sorted(about)])
    return content, facts.fact(con, "derive_all") is not None


def _copy(folder: FarmFolder, number: int) -> Path:
    """Make a whole copy under a numbered name, forced to disk, read-only."""
    files.make_folder_for(folder.published, 0o755)
    target = folder.published / f"{folder.published_file.stem}-{number:06}.duckdb"
    part = target.with_suffix(".part")
    _free(part)
    try:
        shutil.copyfile(folder.warehouse_file, part)
        files.sync_file(part)
        # No damage of the warehouse is copied over a good copy.
        with warehouse.open_reader(part) as con:
            connection.read_through(con)
        part.chmod(stat.S_IRUSR | stat.S_IRGRP | stat.S_IROTH)
        _free(target)
        files.replace(part, target)
    except (OSError, duckdb.Error):
        with suppress(OSError):
            _free(part)
        raise
    return target


def _settle(folder: FarmFolder, path: Path) -> Path:
    """Move a copy to the fixed name; where that is in use (Windows), leave it where it is."""
    fixed = folder.published_file
    if path == fixed:
        return fixed
    # A log that somebody's writing session left beside the old copy would be read into the new.
    with suppress(OSError):
        _free(fixed.with_name(fixed.name + ".wal"))
    try:
        if sys.platform == "win32" and fixed.exists():
            fixed.chmod(stat.S_IWRITE | stat.S_IREAD)
        files.replace(path, fixed)
    except PermissionError:
        if sys.platform == "win32" and fixed.exists():
            fixed.chmod(stat.S_IREAD)
        return path
    files.sync_folder(folder.published)
    return fixed


def _tidy(folder: FarmFolder, current: Path) -> None:
    """Delete older numbered copies and broken-off ones that nobody holds open."""
    stem = folder.published_file.stem
    for old in (*folder.published.glob(f"{stem}-*.duckdb"), *folder.published.glob("*.part")):
        if old != current:
            with suppress(OSError):
                _free(old)


def _free(path: Path) -> None:
    """Delete a file, read-only or not."""
    if path.exists():
        if sys.platform == "win32":
            path.chmod(stat.S_IWRITE | stat.S_IREAD)
        path.unlink()
