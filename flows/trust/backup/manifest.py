"""List one backup: the names, sizes and hashes of its files, and its warehouse's checksum."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any

from pydantic import TypeAdapter

from flows.base.files import Stamp
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
    made_at: Stamp
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
        """Return it as JSON, with the hash of its own content."""
        content = asdict(self)
        return json.dumps(content | {"own": _own(content)}, indent=0, ensure_ascii=False)


def _own(content: dict[str, Any]) -> str:
    rest = {name: value for name, value in content.items() if name != "own"}
    return hashlib.sha256(json.dumps(rest, sort_keys=True).encode()).hexdigest()


def read(path: Path) -> Manifest:
    """Return the manifest in a file; raises ValueError if it is none, or names a file outside.

    Lists of older programs have no hash of their own content.
    """
    try:
        content = path.read_bytes()
        found = TypeAdapter(Manifest).validate_json(content)
        every = json.loads(content)
    except (OSError, ValueError) as error:
        raise ValueError(f"{path} is no list of a backup's files, or was cut") from error
    for entry in found.files:
        _refuse_outside(entry, path)
    if "own" in every and every["own"] != _own(every):
        raise ValueError(f"{path} is not as it was written")
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
