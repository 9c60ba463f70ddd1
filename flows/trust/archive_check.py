"""Check the archive against its receipts without changing it: every file by size, a share by hash."""

import hashlib
from datetime import date

import duckdb

from flows.farm.folder import FarmFolder
from flows.store.archive_reader import ArchiveFile, ArchiveReader
from flows.store.receipts import Known

SHARES = 28  # everything is read once in this many days
_NAMED = 3


def read(folder: FarmFolder, con: duckdb.DuckDBPyConnection | None) -> ArchiveReader:
    """Return the archive as its receipts describe it; nothing in it is repaired.

    ``con`` is open on a warehouse or its published copy, which shows whether the last receipts
    are lost.
    """
    archive = ArchiveReader(folder.archive, known=Known() if con is None else Known.of(con))
    archive.read_receipts()
    return archive


def missing(archive: ArchiveReader) -> list[str]:
    """Return a sentence for each file that is missing or not of its size; contents are not read."""
    return [sentence for file in archive.files() if (sentence := problem_of_size(archive, file))]


def problem_of_size(archive: ArchiveReader, file: ArchiveFile) -> str | None:
    """Return a sentence if an archived file is missing or not of its size."""
    if file.receipt is None:
        return archive.check(file)
    name = f"{file.what}, archive/{file.path.parent.name}/{file.path.name}"
    try:
        size = file.path.stat().st_size
    except FileNotFoundError:
        return f"{name}, is missing"
    except OSError as error:
        return f"{name}, cannot be read ({error.strerror})"
    return None if size == file.size else f"{name}, has {size:,} of {file.size:,} bytes"


def attention(folder: FarmFolder, archive: ArchiveReader) -> list[str]:
    """Return a sentence if archived files are missing or cut, with the command that repairs them."""
    found = missing(archive)
    if not found:
        return []
    return [
        f"The archive lacks data that cannot be measured again: {listed(found)}. "
        f"Repair it from a backup: {repair(folder)}"
    ]


def listed(sentences: list[str]) -> str:
    """Return the first sentences of a list as one text."""
    more = len(sentences) - _NAMED
    return "; ".join(sentences[:_NAMED]) + (f"; and {more:,} more" if more > 0 else "")


def repair(folder: FarmFolder) -> str:
    """Return the command that repairs the archive from a backup, and backups from the archive."""
    return f"checkstrip backup {folder.root} --read-all"


def share(name: str) -> int:
    """Return the share, of ``SHARES``, that a file is in, by its name."""
    return int(hashlib.sha256(name.encode()).hexdigest()[:8], 16) % SHARES


def shares_due(last: date | None, today: date) -> set[int]:
    """Return the shares to read: today's, and those of the days since they were last read."""
    first = today.toordinal() if last is None else min(last.toordinal() + 1, today.toordinal())
    return {day % SHARES for day in range(first, today.toordinal() + 1)}


def read_share(archive: ArchiveReader, shares: set[int]) -> tuple[int, list[str]]:
    """Compare the archived files of these shares with their hashes.

    Returns how many there are, and a sentence for each that is missing or damaged.
    """
    chosen = [file for file in archive.files() if share(file.path.name) in shares]
    return len(chosen), [sentence for file in chosen if (sentence := archive.check(file))]
