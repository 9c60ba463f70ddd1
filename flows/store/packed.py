"""The warehouse's own file kept as small as what it holds, so that a copy of it is small and soon made.

Every table takes a block at least, which is most of a small farm's file, so that is written in small
blocks. In those DuckDB does not compress numbers: a farm that outgrows them is written once in the
usual ones (FIGURES.md). Blocks that wait to be written again are left out when there are many.
"""

from contextlib import suppress
from pathlib import Path

from flows.base import files
from flows.store import connection

SMALL_BLOCK, USUAL_BLOCK = 16 << 10, 256 << 10
# Bytes in use up to which usual blocks are tried in small ones, and above which small ones are outgrown.
# A day's rows lie in blocks of their own at first, so the former are more than what is there.
SMALL_BYTES, OUTGROWN_BYTES = 32_000_000, 24_000_000
# Size over what is used, above which the blocks that wait are left out. The next derives write to most
# of them, and a plain copy takes a twentieth of the work.
MOST_FREE = 1.5


def pack(path: Path, block: int, used: int, *, small: bool) -> bool:
    """Write a closed, checkpointed database anew where that makes it much smaller.

    ``block``: bytes of its blocks; ``used``: bytes that hold something; ``small``: whether small blocks
    may be smaller. Returns whether they still may. The old file stays until the new one was read
    through. Raises OSError or duckdb.Error where the new one cannot be written; the old one stays.
    """
    _clear(path)
    if path.with_name(path.name + ".wal").exists():
        return small  # what is still in a log belongs to the file as it is
    if block == SMALL_BLOCK and used > OUTGROWN_BYTES:
        _write(path, USUAL_BLOCK)
        return False
    if block == USUAL_BLOCK and small and used <= SMALL_BYTES:
        if _write(path, SMALL_BLOCK, below=used):
            return True
        small = False
    if path.stat().st_size > MOST_FREE * used:
        _write(path, block)
    return small


def _write(path: Path, block: int, below: int | None = None) -> bool:
    """Put the same database in blocks of another size in its place; only if smaller than ``below`` bytes."""
    new = _new(path)
    try:
        with files.private():
            connection.repack(path, new, block)
        if below is not None and new.stat().st_size >= below:
            return False
        with connection.connect(new, read_only=True) as con:
            connection.read_through(con)
        files.sync_file(new)
        files.replace(new, path)
        files.sync_folder(path.parent)
        return True
    finally:
        with suppress(OSError):
            _clear(path)


def _new(path: Path) -> Path:
    return path.with_suffix(".packed")


def _clear(path: Path) -> None:
    """Delete what a process that was ended while it packed left behind."""
    new = _new(path)
    for left in (new, new.with_name(new.name + ".wal")):
        left.unlink(missing_ok=True)
