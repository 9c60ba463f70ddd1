"""Make a backup, restore it to a scratch place, compare, and only then let it count."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from flows.base import files, lock
from flows.base.errors import Attention, UserError
from flows.base.plain_text import counted
from flows.base.progress import Tick, silent
from flows.base.version import VERSION
from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.store import archive_bytes, checksum, warehouse
from flows.store.archive_reader import ArchiveFile
from flows.store.backup_objects import Damaged, Entry
from flows.trust import archive_check
from flows.trust.backup import contents, last_good, manifest
from flows.trust.backup.backup_folder import Store
from flows.trust.backup.contents import Frozen
from flows.trust.backup.manifest import WAREHOUSE, Manifest
from schemas.farm.farm import Farm

KEEP = 7  # if farm.toml does not say
# Every stored file is read through once in this many days, a share of them in each backup.
SHARES = 14
# Room that is left on a disk, whatever a backup needs.
_SPARE = 64 << 20


@dataclass(slots=True)
class Done:
    """The result of a backup."""

    to: Path
    whole: Manifest
    new_bytes: int
    mended: int
    left_out: list[str]
    repaired: list[str]
    replaced: list[str]

    @property
    def wants_attention(self) -> bool:
        """Return whether archived files are missing or damaged, or were until now."""
        return bool(self.whole.lacks or self.repaired)

    def __str__(self) -> str:
        """In sentences."""
        text = (
            f"Backup {self.whole.name} is in {self.to}: {counted(len(self.whole.files), 'file')}, "
            f"{self.new_bytes / 1e6:,.1f} MB of it new. It was restored and says the same "
            f"({self.whole.checksum})."
        )
        if self.mended:
            text += f" {self.mended} damaged files of earlier backups were put right."
        if self.replaced:
            text += (
                f" Not whole any more, and deleted because this one has all their files: "
                f"{', '.join(self.replaced)}."
            )
        if self.repaired:
            text += (
                " The archive had lost or changed files, which were repaired from a backup: "
                f"{archive_check.listed(self.repaired)}. Check the disk."
            )
        if self.whole.lacks:
            text += (
                " The archive lacks data that cannot be measured again: "
                f"{archive_check.listed(list(self.whole.lacks))}. No older backup is deleted "
                "while this is so. Look for another copy of these files."
            )
        if self.left_out:
            text += f" Not read, because in use: {', '.join(self.left_out)}."
        return text


def backup(
    folder: FarmFolder,
    tick: Tick = silent,
    to: Path | None = None,
    *,
    anew: bool = False,
    read_all: bool = False,
) -> Done:
    """Back up to ``to``, else to where farm.toml says, else to ``backups/``.

    ``anew`` begins in a folder whose earlier backups are gone; ``read_all`` reads the whole archive
    and backup, not only today's share of the backup. Raises UserError (farm file, no
    warehouse, the folder holds another farm's), Busy, and Attention where the folder cannot be
    reached or written, or where what came back is not what was stored; earlier backups stand then.
    """
    farm = farm_file.load(folder.farm_toml)
    target = to.expanduser().absolute() if to else last_good.target(folder, farm).absolute()
    if not folder.warehouse_file.exists():
        raise UserError(
            f"There is nothing to back up yet. Run first: checkstrip once {folder.root}"
        )
    with lock.hold(folder.state / "backup.lock", "making a backup"):
        try:
            _reach(folder, target, anew)
            with _scratch(folder) as scratch:
                return _Backup(folder, farm, Store(target), scratch, tick, read_all).make()
        except (OSError, Damaged) as trouble:
            raise Attention(
                f"No backup was made in {target}: {trouble}. Earlier ones stand; it is tried again "
                "at the next turn."
            ) from trouble


def _reach(folder: FarmFolder, target: Path, anew: bool) -> None:
    """Check that the folder is there, and is the one that it was (not the place of a lost disk)."""
    if not files.answers(target, folder.root):
        raise OSError("it does not answer. Is the share's computer on, the network up?")
    if last_good.was_used(folder, target) and not anew and not any(target.glob("*Z*.json")):
        raise OSError(
            "the earlier backups are not there. Is the disk connected, the share reachable? "
            "(To begin anew in an empty folder: checkstrip backup --anew)"
        )
    if target != folder.backups and not target.parent.is_dir():
        raise OSError(f"{target.parent} cannot be reached")
    target.mkdir(exist_ok=True)


@contextmanager
def _scratch(folder: FarmFolder) -> Iterator[Path]:
    """A place on this computer, emptied before and after: a killed backup leaves nothing for long."""
    path = folder.state / "backup"
    shutil.rmtree(path, ignore_errors=True)
    path.mkdir(parents=True)
    try:
        yield path
    finally:
        shutil.rmtree(path, ignore_errors=True)


@dataclass(slots=True)
class _Backup:
    """One backup on its way."""

    folder: FarmFolder
    farm: Farm
    store: Store
    scratch: Path
    tick: Tick
    read_all: bool
    now: datetime = field(default_factory=lambda: datetime.now(UTC))
    entries: list[Entry] = field(default_factory=list)
    new_bytes: int = 0
    mended: int = 0
    left_out: list[str] = field(default_factory=list)
    lacks: list[str] = field(default_factory=list)

    def make(self) -> Done:
        earlier, unreadable = self.store.backups()
        self.tick("copying the warehouse", 0, 1)
        frozen = contents.freeze(
            self.folder,
            self.scratch / "warehouse.duckdb",
            str(self.store.root),
            self.tick,
            read_all=self.read_all,
        )
        self._refuse_another_farm(earlier, frozen.farm_id)
        known = {entry.path: entry for one in earlier for entry in one.files}
        self._require_room(frozen, known)
        self._take_archive(frozen, known)
        self._take_others()
        self._put(frozen.copy, WAREHOUSE)
        frozen.copy.unlink()
        self._verify(frozen.checksum)
        whole = self._manifest(frozen)
        self.store.finish(whole)
        mine = [one for one in earlier if one.farm_id in ("", frozen.farm_id)]
        stay = unreadable or whole.lacks
        spoiled = [] if stay or not self.read_all else self._spoiled(mine)
        done = Done(
            self.store.root,
            whole,
            self.new_bytes,
            self.mended,
            self.left_out,
            frozen.repaired,
            [one.name for one in spoiled],
        )
        last_good.note(
            self.folder, self.store.root, whole.name, self.now, str(done), whole=not whole.lacks
        )
        keep = self.farm.backup.keep if self.farm.backup else KEEP
        old = mine[: max(0, len(mine) + 1 - keep)]
        self.store.prune([] if stay else [*old, *spoiled])
        return done

    def _spoiled(self, earlier: list[Manifest]) -> list[Manifest]:
        """Return the earlier backups with damaged files that this one has in a later state.

        What they held under those names (a warehouse, a note) cannot be stored again: nobody has
        those bytes. A backup with a damaged file that this one lacks stays.
        """
        taken = {entry.path for entry in self.entries}
        known: dict[str, bool] = {}
        found = []
        for one in earlier:
            damaged = [e for e in one.files if not known.setdefault(e.sha256, self._is_sound(e))]
            if damaged and all(entry.path in taken for entry in damaged):
                found.append(one)
        return found

    def _refuse_another_farm(self, earlier: list[Manifest], farm_id: str) -> None:
        for one in earlier:
            if farm_id and one.farm_id not in ("", farm_id):
                raise UserError(
                    f"{self.store.root} holds the backups of another farm folder ({one.farm}, "
                    f"{one.root}). Give each its own folder."
                )

    def _require_room(self, frozen: Frozen, known: dict[str, Entry]) -> None:
        """Raise OSError, before any work, if one of the two disks is too full."""
        size = frozen.copy.stat().st_size
        new = sum(file.size or 0 for file in frozen.archive if self._name(file.path) not in known)
        for path, bytes_ in ((self.store.root, size + new), (self.scratch, size)):
            free, needed = shutil.disk_usage(path).free, bytes_ + _SPARE
            if free < needed:
                raise OSError(
                    f"{path} has {free / 1e6:,.0f} MB free, and {needed / 1e6:,.0f} MB are needed"
                )

    def _put(self, path: Path, name: str) -> Entry:
        entry, new = self.store.put(path, name)
        self.new_bytes += entry.size * new
        self.entries.append(entry)
        return entry

    def _name(self, path: Path) -> str:
        """Return how a backup lists a file of the farm folder."""
        return path.relative_to(self.folder.root).as_posix()

    def _take_archive(self, frozen: Frozen, known: dict[str, Entry]) -> None:
        """Take what the receipts say must be there; files that a backup has are not read again."""
        for place, file in enumerate(frozen.archive):
            self.tick("backing up the archive", place, len(frozen.archive))
            name, wrong = self._name(file.path), frozen.wrong.get(file.path)
            stored = self._stored(file, known.get(name), surely=wrong is not None)
            if stored is not None:
                self.entries.append(stored)
            elif file.path.exists():  # also if it is damaged: most of it may still be read
                wrong = self._put_what_is_there(file, name) or wrong
            if wrong is not None:
                self.lacks.append(wrong)

    def _put_what_is_there(self, file: ArchiveFile, name: str) -> str | None:
        """Store an archived file; return a sentence if it is damaged or cannot be read."""
        try:
            taken = self._put(file.path, name)
        except OSError:
            try:
                archive_bytes.sha256_of(file.path)
            except OSError as error:
                return f"{file.what} cannot be read in the archive ({name}: {error.strerror})"
            raise  # it is the backup's disk that failed
        if file.sha256 in (None, taken.sha256):
            return None
        return f"{file.what} is damaged in the archive ({name})"

    def _stored(self, file: ArchiveFile, before: Entry | None, *, surely: bool) -> Entry | None:
        """Return the entry of a file whose bytes are stored already; ``surely``: they are read."""
        if file.sha256 is not None and file.size is not None:
            entry: Entry | None = Entry(self._name(file.path), file.sha256, file.size)
        elif surely:  # nobody knows what it should hold
            return None
        else:
            entry = before
        if entry is None or not self.store.has(entry):
            return None
        if surely:
            return entry if self._is_sound(entry) else None
        same = file.sha256 is not None or entry.size == file.path.stat().st_size
        return entry if same else None

    def _is_sound(self, entry: Entry) -> bool:
        try:
            self.store.check(entry)
        except Damaged:
            return False
        return True

    def _take_others(self) -> None:
        for path in contents.other_files(self.folder, self.farm):
            name = path.relative_to(self.folder.root).as_posix()
            try:
                with path.open("rb"):
                    pass
            except PermissionError:  # open in a spreadsheet; its last saved version is archived
                self.left_out.append(name)
            else:
                self._put(path, name)

    def _verify(self, stored: str) -> None:
        """Restore the warehouse and compare its checksum; read through today's share of the rest.

        Raises Damaged if the warehouse does not come back as it was. Damaged files of an earlier
        backup are replaced from the farm folder.
        """
        back = self.scratch / "restored.duckdb"
        today = self.now.toordinal() % SHARES
        for place, entry in enumerate(list(self.entries)):
            self.tick("reading the backup again", place, len(self.entries))
            if entry.path == WAREHOUSE:
                self.store.fetch(entry, back)
            elif (
                self.read_all or int(entry.sha256[:2], 16) % SHARES == today
            ) and not self._is_sound(entry):
                self._replace(entry)
        with warehouse.open_reader(back) as con:
            came_back = checksum.total(con)
        if came_back != stored:
            raise Damaged(f"the warehouse that came back says {came_back}, and {stored} was stored")

    def _replace(self, entry: Entry) -> None:
        """Store a file again whose bytes are damaged in the backup; nothing goes if it is too."""
        source, stored = self.folder.root / entry.path, self.store.path_of(entry.sha256)
        if source.exists() and archive_bytes.sha256_of(source) == entry.sha256:
            stored.unlink(missing_ok=True)
            self.store.put(source, entry.path)
            self.mended += 1
            return
        self.lacks.append(
            f"{entry.path} is damaged in the backup, and not whole in the farm folder"
        )
        if source.exists():
            self.entries.remove(entry)
            self._put(source, entry.path)

    def _manifest(self, frozen: Frozen) -> Manifest:
        first = self.now.strftime("%Y-%m-%dT%H%M%SZ")
        name, number = first, 1
        while (self.store.root / f"{name}.json").exists():
            number += 1
            name = f"{first}-{number}"
        return Manifest(
            name=name,
            farm=self.farm.farm.name,
            farm_id=frozen.farm_id,
            root=str(self.folder.root),
            made_at=self.now.isoformat(),
            program=VERSION,
            tables=manifest.declared(),
            checksum=frozen.checksum,
            files=tuple(self.entries),
            lacks=tuple(self.lacks),
        )
