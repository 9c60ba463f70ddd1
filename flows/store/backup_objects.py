"""Read the objects of a backup folder: every file's bytes once, under their SHA-256.

``objects/ab/<sha256>`` holds bytes, ``2026-11-25T042000Z.json`` lists the files of one backup. The
archive repairs itself from here; ``flows/trust/backup`` writes what is read here.
"""

import hashlib
import json
import os
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from flows.base import files
from flows.farm.folder import FarmFolder

BLOCK = 1 << 20
MEMORY = "backups.json"  # of the state folder: where backups were made, and the last good one


class Damaged(Exception):
    """Bytes are not those that were stored: ``found`` is there instead of ``expected``."""

    def __init__(self, sentence: str, found: str = "", expected: str = "") -> None:
        super().__init__(sentence)
        self.found, self.expected = found, expected


@dataclass(frozen=True, slots=True)
class Entry:
    """One file of a backup: its path below the farm folder, and its bytes' SHA-256 and size."""

    path: str
    sha256: str
    size: int


@dataclass(slots=True)
class BackupObjects:
    """The folder of backups at ``root``, to read from."""

    root: Path

    def path_of(self, sha256: str) -> Path:
        """Return where bytes of that hash are."""
        return self.root / "objects" / sha256[:2] / sha256

    def has(self, entry: Entry) -> bool:
        """Return whether bytes of that hash and size are there (they are not read)."""
        try:
            return self.path_of(entry.sha256).stat().st_size == entry.size
        except FileNotFoundError:
            return False

    def check(self, entry: Entry) -> None:
        """Read a file's bytes; raises Damaged if they are not those that were stored."""
        self._read(entry, None)

    def fetch(self, entry: Entry, target: Path) -> None:
        """Write a file's bytes to ``target``; raises Damaged, and leaves nothing then."""
        target.parent.mkdir(parents=True, exist_ok=True)
        try:
            self._read(entry, target)
        except BaseException:
            target.unlink(missing_ok=True)
            raise

    def entries(self) -> Iterator[Entry]:
        """Yield the files of all backups, those of the newest backup first.

        Lists that cannot be read are skipped.
        """
        for path in sorted(self.root.glob("*Z*.json"), reverse=True):
            with suppress(OSError, ValueError, TypeError, KeyError):
                for entry in json.loads(path.read_text(encoding="utf-8"))["files"]:
                    yield Entry(**entry)

    def hashes_of(self, path: str) -> list[str]:
        """Return the SHA-256 that backups list for a path, the newest first."""
        return list(dict.fromkeys(one.sha256 for one in self.entries() if one.path == path))

    def content(self, entry: Entry) -> bytes:
        """Return a small file's bytes; raises Damaged if they are not those that were stored."""
        found = self.path_of(entry.sha256).read_bytes()
        if hashlib.sha256(found).hexdigest() != entry.sha256:
            raise Damaged(f"{entry.path} is damaged")
        return found

    def _read(self, entry: Entry, target: Path | None) -> None:
        digest = hashlib.sha256()
        try:
            with ExitStack() as opened:
                given = opened.enter_context(self.path_of(entry.sha256).open("rb"))
                if target is not None:
                    files.begin(target)
                out = opened.enter_context(target.open("wb")) if target else None
                while block := given.read(BLOCK):
                    digest.update(block)
                    if out is not None:
                        out.write(block)
                if out is not None:
                    files.sync(out)
        except FileNotFoundError:
            raise Damaged(f"{entry.path} is missing") from None
        if digest.hexdigest() != entry.sha256:
            raise Damaged(f"{entry.path} is damaged", digest.hexdigest(), entry.sha256)


@dataclass(frozen=True, slots=True)
class Made:
    """A backup that was restored and compared: when, where to, its name, and its summary."""

    at: files.Stamp
    to: str
    name: str
    told: str = ""


@dataclass(frozen=True, slots=True)
class Remembered:
    """The last backup, the last one of a whole archive, and the folders that backups went to."""

    last: Made | None = None
    good: Made | None = None
    folders: tuple[str, ...] = ()


def remembered(folder: FarmFolder) -> Remembered:
    """Return what is remembered of backups; nothing if the memory was lost.

    Folders inside the farm folder are kept relative to it, so that they move with it.
    """
    known = files.read_state(folder.state / MEMORY, Remembered) or Remembered()

    def here(made: Made | None) -> Made | None:
        return made and replace(made, to=str(folder.root / made.to))

    folders = tuple(str(folder.root / one) for one in known.folders)
    return Remembered(here(known.last), here(known.good), folders)


def remember(folder: FarmFolder, now: Remembered) -> None:
    """Keep what is remembered of backups."""

    def kept(to: str) -> str:
        path = Path(to)
        return str(path.relative_to(folder.root)) if path.is_relative_to(folder.root) else to

    def there(made: Made | None) -> Made | None:
        return made and replace(made, to=kept(made.to))

    moved = Remembered(there(now.last), there(now.good), tuple(map(kept, now.folders)))
    files.write_text(folder.state / MEMORY, json.dumps(asdict(moved), indent=1))


def folder_of(folder: FarmFolder, to: str | None) -> Path:
    """Return where backups go: ``to`` as farm.toml has it, else ``backups/`` of the farm folder."""
    if to is None:
        return folder.backups
    return Path(os.path.normpath(folder.root / Path(to).expanduser()))


def reachable(folder: FarmFolder, to: str | None) -> Iterator[BackupObjects]:
    """Yield the backup folders that respond: that of farm.toml, and those used before."""
    places = [folder_of(folder, to), folder.backups, *map(Path, remembered(folder).folders)]
    for place in dict.fromkeys(places):
        if files.is_there(place, folder.root):
            yield BackupObjects(place)
