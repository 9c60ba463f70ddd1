"""The copy of the warehouse that others open: which it is, and whether it is as it was written.

``publish`` makes it. This module loads only what starts quickly, for the commands that only read.
"""

from dataclasses import dataclass, field
from pathlib import Path

from flows.base import files
from flows.base.errors import Attention
from flows.farm.folder import FarmFolder
from flows.store.archive_bytes import sha256_of


@dataclass(frozen=True, slots=True)
class Record:
    """The last publish: its number, its file's name and hash, what the content is known by.

    ``small``: whether the farm is small enough for small blocks (``packed``). ``rows``, ``facts``: what
    the copy holds (``publish_guard``).
    """

    number: int = 0
    file: str = ""
    says: str = ""
    sha256: str = ""
    small: bool = True
    rows: dict[str, int] = field(default_factory=dict)
    facts: dict[str, str] = field(default_factory=dict)


def record_file(folder: FarmFolder) -> Path:
    """Return the file that the record is in."""
    return folder.state / "published.json"


def recorded(folder: FarmFolder) -> Record:
    """Return the record of the last publish; an empty one if there is none."""
    return files.read_state(record_file(folder), Record) or Record()


def newest(folder: FarmFolder) -> Path | None:
    """Return the published copy to read; None if nothing was published."""
    for path in (folder.published / Path(recorded(folder).file).name, folder.published_file):
        if path.is_file():
            return path
    return None


def was_published(folder: FarmFolder) -> bool:
    """Return whether a copy was published before."""
    return bool(recorded(folder).file)


def must_be_as_written(folder: FarmFolder, copy: Path) -> None:
    """Raise Attention if the bytes of a published copy are not those that were written."""
    written = recorded(folder).sha256
    if written and written != sha256_of(copy):
        raise Attention(
            f"The published copy {copy} is damaged: its bytes are not those that were written. "
            f"Make the copy again with: checkstrip publish {folder.root}"
        )
