"""The archive's bytes on the disk: measured, copied and synced so that a power cut halves nothing."""

import hashlib
import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from flows.base.files import make_folder, replace, sync, sync_folder

BLOCK = 1 << 20
PACKED_MARKS = (b"\x1f\x8b", b"PK")
WIDE_MARKS = (b"\xff\xfe", b"\xfe\xff")


@dataclass(slots=True)
class Measure:
    """One pass over a file: its hash, its size, and the state at its last line end.

    ``content`` are the bytes of a file that is read in one go; ``steady`` is false where it was
    written to meanwhile.
    """

    sha256: str = ""
    size: int = 0
    whole_bytes: int = 0
    whole_lines: int = 0
    whole_sha256: str = ""
    prefix_sha256: str | None = None
    rest_sha256: str | None = None
    wide: bool = False
    content: bytes | None = None
    steady: bool = True


def measure(path: Path, prefix: int | None = None) -> Measure:
    """Hash a file in one pass, and on the way its first ``prefix`` bytes and those after them."""
    found = Measure()
    all_hash, rest_hash = hashlib.sha256(), hashlib.sha256()
    whole, rest = all_hash.copy(), b""  # the hash before, and the bytes up to, the last line end
    with path.open("rb") as stream:
        before = os.fstat(stream.fileno())
        while block := stream.read(BLOCK):
            if found.size == 0:
                found.wide = block.startswith(WIDE_MARKS) or b"\x00" in block[:4]
            if prefix is not None and found.size < prefix <= found.size + len(block):
                at = all_hash.copy()
                at.update(block[: prefix - found.size])
                found.prefix_sha256 = at.hexdigest()
            end = block.rfind(b"\n") + 1
            if end:
                whole, rest = all_hash.copy(), block[:end]
                found.whole_bytes = found.size + end
                found.whole_lines += block.count(b"\n")
            all_hash.update(block)
            if prefix is not None and found.size + len(block) > prefix:
                rest_hash.update(block[max(0, prefix - found.size) :])
            found.content = block if found.size == 0 else None
            found.size += len(block)
        after = os.fstat(stream.fileno())
    found.steady = (before.st_size, before.st_mtime_ns) == (found.size, after.st_mtime_ns)
    found.sha256, found.rest_sha256 = all_hash.hexdigest(), rest_hash.hexdigest()
    if found.whole_bytes == found.size:
        found.whole_sha256 = found.sha256
    else:
        whole.update(rest)
        found.whole_sha256 = whole.hexdigest()
    return found


def write(target: Path, content: bytes) -> None:
    """Write a file, completely or not at all, and sync its folder."""
    make_folder(target.parent)
    part = target.with_name(target.name + ".part")
    with part.open("wb") as out:
        out.write(content)
        sync(out)
    replace(part, target)
    sync_folder(target.parent)


def copy(target: Path, content: Iterable[bytes], offset: int, sha256: str) -> bool:
    """Write content from ``offset`` on to ``target``, completely or not at all.

    False where its hash is not ``sha256``: somebody writes to the file. The folder of ``target`` is
    synced by the caller, once for all.
    """
    part = target.with_name(target.name + ".part")
    found, at = hashlib.sha256(), 0
    try:
        with part.open("wb") as out:
            for block in content:
                found.update(block)
                out.write(block[max(0, offset - at) :])
                at += len(block)
            sync(out)
        if found.hexdigest() != sha256:
            return False
        replace(part, target)
    finally:
        part.unlink(missing_ok=True)
    return True


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file's bytes."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def sha256_of_blocks(given: Iterable[bytes]) -> str:
    """Return the SHA-256 of bytes that come in blocks."""
    found = hashlib.sha256()
    for block in given:
        found.update(block)
    return found.hexdigest()


def blocks(path: Path, start: int = 0, length: int | None = None) -> Iterator[bytes]:
    """Yield a file's bytes from ``start``, at most ``length``, block by block."""
    with path.open("rb") as stream:
        stream.seek(start)
        left = length
        while left is None or left > 0:
            block = stream.read(BLOCK if left is None else min(BLOCK, left))
            if not block:
                return
            if left is not None:
                left -= len(block)
            yield block
