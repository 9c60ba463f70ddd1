"""List one backup: the names, sizes and hashes of its files, and its warehouse's checksum."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, fields
from pathlib import Path, PurePosixPath, PureWindowsPath

from flows.store.backup_objects import Entry
from schemas import generated
from schemas.catalogue import TABLES

WAREHOUSE = "warehouse/checkstrip.duckdb"


@dataclass(frozen=True, slots=True)
class Manifest:
    """One backup. ``farm_id`` is the first delivery's hash: no other farm has it.

    ``checksum`` is that of the warehouse (see flows/store/checksum.py), and ``tables`` the
    fingerprint of the declarations that it was computed by. ``lacks`` has a sentence for each
    archived file that was missing or damaged then, and is in no other backup.
    """

    name: str
    farm: str
    farm_id: str
    root: str
    made_at: str
    program: str
    tables: str
    checksum: str
    files: tuple[Entry, ...]
    lacks: tuple[str, ...] = ()

    @property
    def size(self) -> int:
        """Return the bytes of all its files."""
        return sum(entry.size for entry in self.files)

    def text(self) -> str:
        """Return it as JSON."""
        return json.dumps(asdict(self), indent=0, ensure_ascii=False)


def read(path: Path) -> Manifest:
    """Return the manifest in a file; raises ValueError if it is none, or names a file outside."""
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        names = {field.name for field in fields(Manifest)}
        known = {name: value for name, value in content.items() if name in names}
        files = tuple(Entry(**entry) for entry in known.pop("files"))
        lacks = tuple(map(str, known.pop("lacks", ())))
        found = Manifest(**known, files=files, lacks=lacks)
    except (TypeError, KeyError, AttributeError, ValueError) as error:
        raise ValueError(f"{path} is no list of a backup's files: {error}") from error
    for entry in found.files:
        _refuse_outside(entry, path)
    return found


def _refuse_outside(entry: Entry, path: Path) -> None:
    posix, windows = PurePosixPath(entry.path), PureWindowsPath(entry.path)
    good_hash = len(entry.sha256) == 64 and set(entry.sha256) <= set("0123456789abcdef")
    if not good_hash or ".." in windows.parts or posix.is_absolute() or windows.anchor:
        raise ValueError(f"{path} names a file that no backup has: {entry.path}")


def declared() -> str:
    """Return a fingerprint of the tables as this program declares them."""
    text = "\n".join(generated.ddl(table) for table in TABLES.values())
    return hashlib.sha256(text.encode()).hexdigest()[:16]
