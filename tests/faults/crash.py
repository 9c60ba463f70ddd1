"""What a power cut leaves of the calls made so far: the disk states that fsync allows.

A file's bytes are sure up to its last fsync, its name up to its folder's last fsync. Everything
after that may be there, half there or not at all; renames are whole or undone, in their order.
"""

from __future__ import annotations

import random
import shutil
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from tests.faults.disk import Call

BLOCK = 4096
# What becomes of the names that are not sure, and of the bytes that are not.
WAYS = ("lost", "empty", "zeros", "scrambled", "mixed")


@dataclass(slots=True)
class Inode:
    """A file's bytes: what is sure, what was written; ``origin`` where it was before the step."""

    now: bytes = b""
    sure: bytes = b""
    origin: Path | None = None


Names = dict[str, Inode | None]  # None for a folder
Change = Callable[[Names], None]


@dataclass(slots=True)
class Model:
    """A folder below which calls are made."""

    root: Path
    base: Path
    sure: Names = field(default_factory=dict)
    now: Names = field(default_factory=dict)
    pending: list[tuple[str, Change]] = field(default_factory=list)

    @classmethod
    def of(cls, root: Path, base: Path) -> Model:
        """The folder as it stood before: ``base`` is a copy of it."""
        model = cls(root, base)
        for path in base.rglob("*"):
            name = str(root / path.relative_to(base))
            if _ours(name):
                model.sure[name] = None if path.is_dir() else _held(path)
        model.now = dict(model.sure)
        return model

    def apply(self, call: Call) -> None:
        """Take in a call that was made."""
        if not _ours(call.path):
            return
        inode = self.now.get(call.path)
        match call.what:
            case "open":
                if call.path not in self.now:
                    new = Inode()
                    self._change(call.path, lambda names: names.__setitem__(call.path, new))
                elif inode is not None and "w" in call.other:
                    inode.now = b""
            case "write" if inode is not None:
                old = inode.now.ljust(call.offset, b"\0")
                inode.now = old[: call.offset] + call.data + old[call.offset + len(call.data) :]
            case "truncate" if inode is not None:
                inode.now = inode.now[: call.offset]
            case "fsync":
                self._fsync(call.path, inode)
            case "mkdir":
                self._change(call.path, lambda names: names.setdefault(call.path, None))
            case "unlink" | "rmdir":
                self._change(call.path, lambda names: names.pop(call.path, None))
            case "replace":
                self._change(call.other, lambda names: _moved(names, call))

    def _change(self, path: str, change: Change) -> None:
        change(self.now)
        self.pending.append((str(Path(path).parent), change))

    def _fsync(self, path: str, inode: Inode | None) -> None:
        if inode is not None:
            inode.sure = inode.now
            return
        for _, change in [p for p in self.pending if p[0] == path]:
            change(self.sure)
        self.pending = [p for p in self.pending if p[0] != path]

    def after(self, way: str, rng: random.Random) -> dict[str, bytes | Path | None]:
        """One of the states that a power cut may leave: path to bytes, to its origin, to None."""
        keep = {"lost": 0, "mixed": rng.randint(0, len(self.pending))}.get(way, len(self.pending))
        names = dict(self.sure)
        for _, change in self.pending[:keep]:
            change(names)
        found: dict[str, bytes | Path | None] = {}
        for path, inode in sorted(names.items()):
            parent = str(Path(path).parent)
            if parent != str(self.root) and _ours(parent) and parent not in found:
                continue  # its folder is not there
            found[path] = None if inode is None else _left(inode, way, rng)
        return found

    def lay(self, state: dict[str, bytes | Path | None], folder: Path) -> None:
        """Put a state into a copy of the folder."""
        for path in {*self.now, *self.sure} - set(state):
            at = folder / Path(path).relative_to(self.root)
            if at.is_dir():
                shutil.rmtree(at)
            else:
                at.unlink(missing_ok=True)
        for path, content in sorted(state.items()):
            at = folder / Path(path).relative_to(self.root)
            if content is None:
                at.mkdir(parents=True, exist_ok=True)
                continue
            at.unlink(missing_ok=True)
            if isinstance(content, Path):
                shutil.copy2(content, at)
            else:
                at.write_bytes(content)


def _ours(path: str) -> bool:
    """Not the database that DuckDB itself writes, nor the locks, which say nothing."""
    own = "/warehouse/" in path and "/warehouse/published" not in path
    return not own and not path.endswith((".lock", "/spill")) and "/spill/" not in path


def _held(path: Path) -> Inode:
    data = path.read_bytes()
    return Inode(data, data, path)


def _moved(names: Names, call: Call) -> None:
    if call.path in names:
        names[call.other] = names.pop(call.path)


def _left(inode: Inode, way: str, rng: random.Random) -> bytes | Path:  # noqa: PLR0911
    """What is left of a file's bytes."""
    if inode.now == inode.sure:
        return inode.origin if inode.origin is not None else inode.sure
    if way == "mixed":
        way = rng.choice(("lost", "empty", "zeros", "scrambled", "cut", "whole"))
    data = inode.now
    last = len(data) // BLOCK * BLOCK if len(data) % BLOCK else max(0, len(data) - BLOCK)
    match way:
        case "lost":
            return inode.sure
        case "empty":
            return b""
        case "zeros":
            return bytes(len(data))
        case "scrambled":
            return data[:last] + rng.randbytes(len(data) - last)
        case "cut":
            return data[: rng.randrange(0, len(data) + 1, 512)]
        case _:
            return data
