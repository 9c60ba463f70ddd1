"""The archive's bytes on the disk: measured, copied and synced so that a power cut halves nothing."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from flows.files import make_folder, sync_folder

BLOCK = 1 << 20
WIDE_MARKS = (b"\xff\xfe", b"\xfe\xff")


@dataclass(slots=True)
class Measure:
    """One pass over a file: its hash, its size, and the state at its last line end."""

    sha256: str = ""
    size: int = 0
    whole_bytes: int = 0
    whole_lines: int = 0
    whole_sha256: str = ""
    prefix_sha256: str | None = None
    wide: bool = False


def measure(path: Path, prefix: int | None = None) -> Measure:
    """Hash a file in one pass, and the hash of its first ``prefix`` bytes on the way."""
    found = Measure()
    all_hash, whole_hash = hashlib.sha256(), hashlib.sha256()
    pending: list[bytes] = []
    with path.open("rb") as stream:
        while block := stream.read(BLOCK):
            if found.size == 0:
                found.wide = block.startswith(WIDE_MARKS) or b"\x00" in block[:4]
            if prefix is not None and found.size < prefix <= found.size + len(block):
                at = all_hash.copy()
                at.update(block[: prefix - found.size])
                found.prefix_sha256 = at.hexdigest()
            all_hash.update(block)
            end = block.rfind(b"\n") + 1
            if end:
                for piece in pending:
                    whole_hash.update(piece)
                whole_hash.update(block[:end])
                pending = [block[end:]]
                found.whole_bytes = found.size + end
                found.whole_lines += block.count(b"\n")
            else:
                pending.append(block)
            found.size += len(block)
    found.sha256, found.whole_sha256 = all_hash.hexdigest(), whole_hash.hexdigest()
    return found


def write(target: Path, content: bytes) -> None:
    """Write a file, whole or not at all, and sync its folder."""
    make_folder(target.parent)
    part = target.with_name(target.name + ".part")
    with part.open("wb") as out:
        out.write(content)
        out.flush()
        os.fsync(out.fileno())
    part.replace(target)
    sync_folder(target.parent)


def copy(target: Path, path: Path, offset: int, sha256: str) -> bool:
    """Write a file's bytes from ``offset`` on to ``target``, whole or not at all.

    False where the file's hash is no longer ``sha256``: somebody writes to it. The folder of
    ``target`` is synced by the caller, once for all.
    """
    part = target.with_name(target.name + ".part")
    found, at = hashlib.sha256(), 0
    with part.open("wb") as out:
        for block in blocks(path):
            found.update(block)
            out.write(block[max(0, offset - at) :])
            at += len(block)
        out.flush()
        os.fsync(out.fileno())
    if found.hexdigest() != sha256:
        part.unlink()
        return False
    part.replace(target)
    return True


def blocks(path: Path, start: int = 0, length: int | None = None) -> Iterator[bytes]:
    """A file's bytes from ``start``, at most ``length``, block by block."""
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
