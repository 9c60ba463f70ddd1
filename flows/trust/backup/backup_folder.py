"""Keep backups in a folder: each file's bytes once, and a list of files for each backup.

``objects/ab/<sha256>`` holds the bytes of every file, each once however many backups have it;
``2026-11-25T042000Z.json`` is one backup, the list of its files. The list is written last, by
renaming, so a backup that was broken off is not there at all.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from flows.base import files
from flows.store.backup_objects import BLOCK, BackupObjects, Entry
from flows.trust.backup import manifest
from flows.trust.backup.manifest import Manifest

README = "READ ME.txt"
_README_TEXT = """\
Backups of a Checkstrip farm folder. Do not change or delete anything here by hand.

  checkstrip restore "THIS FOLDER" "A NEW FOLDER"

puts the newest backup back; --at NAME takes an earlier one. Without the program: each file
NAME.json is one backup and lists, for every file, its path and the name (sha256) under which its
bytes lie in objects/, in the folder of the first two letters.
"""


@dataclass(slots=True)
class Store(BackupObjects):
    """The folder of backups at ``root``."""

    _touched: set[Path] = field(default_factory=set)

    def backups(self) -> tuple[list[Manifest], list[str]]:
        """Return the backups, oldest first, and what is wrong with lists that cannot be read."""
        found, wrong = [], []
        for path in sorted(self.root.glob("*Z*.json")):
            try:
                found.append(manifest.read(path))
            except ValueError as error:
                wrong.append(str(error))
        return sorted(found, key=lambda one: one.made_at), wrong

    def put(self, source: Path, name: str) -> tuple[Entry, bool]:
        """Store a file's bytes unless they are there; return their entry, and whether they were new.

        They are under their final name only when they are whole and forced to disk.
        """
        part = self.root / "objects" / f"{files.unique()}.part"
        part.parent.mkdir(parents=True, exist_ok=True)
        digest, size = hashlib.sha256(), 0
        try:
            with source.open("rb") as given, part.open("wb") as out:
                while block := given.read(BLOCK):
                    digest.update(block)
                    size += out.write(block)
                entry = Entry(name, digest.hexdigest(), size)
                if self.has(entry):
                    return entry, False
                files.sync(out)
            target = self.path_of(entry.sha256)
            target.parent.mkdir(parents=True, exist_ok=True)
            files.replace(part, target)
            self._touched |= {target.parent, target.parent.parent, self.root}
        finally:
            part.unlink(missing_ok=True)
        return entry, True

    def finish(self, whole: Manifest) -> None:
        """Put the list of a backup in place: from now on it counts."""
        for folder in sorted(self._touched):
            _sync(folder)
        self._touched.clear()
        if not (self.root / README).exists():
            files.write_bytes(self.root / README, _README_TEXT.encode())
        path = self.root / f"{whole.name}.json"
        part = path.with_suffix(".part")
        with part.open("w", encoding="utf-8", newline="\n") as out:
            out.write(whole.text())
            files.sync(out)
        files.replace(part, path)
        _sync(self.root)

    def prune(self, gone: Iterable[Manifest]) -> int:
        """Delete backups, and the bytes that no other one has; return how many bytes."""
        for old in gone:
            (self.root / f"{old.name}.json").unlink(missing_ok=True)
        left, wrong = self.backups()
        if wrong:  # what they need is not known
            return 0
        needed = {entry.sha256 for one in left for entry in one.files}
        freed = 0
        for path in (self.root / "objects").glob("*/*"):
            if path.name not in needed:
                with suppress(OSError):
                    size = path.stat().st_size
                    path.unlink()
                    freed += size
        for part in [*(self.root / "objects").glob("*.part"), *self.root.glob("*Z*.part")]:
            part.unlink(missing_ok=True)
        return freed


def _sync(folder: Path) -> None:
    # Some network file systems cannot force a folder to disk, and need not.
    with suppress(OSError):
        files.sync_folder(folder)
