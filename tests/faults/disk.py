"""Every open, write, fsync and rename that Python does below a folder, seen before it is done.

``Disk(root, watch)`` calls ``watch(Call)`` first; what it raises is raised in place of the call. What
DuckDB writes is not seen: it does not pass through Python.
"""

from __future__ import annotations

import builtins
import errno
import io
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

_WATCHED = """
open close write ftruncate fsync replace rename unlink remove mkdir rmdir sendfile chmod
"""
_TRUE = {name: getattr(os, name) for name in _WATCHED.split()}
_OPEN = io.open


@dataclass(frozen=True, slots=True)
class Call:
    """One call: ``what`` is open, read, write, truncate, fsync, replace, unlink, mkdir, rmdir or chmod."""

    what: str
    path: str
    other: str = ""
    offset: int = 0
    data: bytes = b""

    def __str__(self) -> str:
        return f"{self.what} {Path(self.path).name}"


class Disk:
    """The patched calls, for as long as it is entered."""

    def __init__(self, root: Path, watch: Callable[[Call], None]) -> None:
        self.root, self.watch = str(root), watch
        self.handles: dict[int, str] = {}

    def inside(self, path: Any, dir_fd: int | None = None) -> str | None:
        """The full path where it lies below the root."""
        if isinstance(path, int):
            return self.handles.get(path)
        name = os.fsdecode(path)
        if dir_fd is not None:
            name = str(Path(f"/proc/self/fd/{dir_fd}").readlink() / name)
        name = os.path.abspath(name)  # noqa: PTH100 - resolve() would follow links
        return name if name == self.root or name.startswith(self.root + os.sep) else None

    def __enter__(self) -> Disk:
        for name in ("replace", "rename"):
            setattr(os, name, self._two(name))
        for name in ("unlink", "remove", "mkdir", "rmdir", "chmod"):
            setattr(os, name, self._one(name))
        for name in ("open", "close", "write", "ftruncate", "fsync", "sendfile"):
            setattr(os, name, getattr(self, f"_{name}"))
        io.open = builtins.open = self._file
        return self

    def __exit__(self, *_: object) -> None:
        for name, call in _TRUE.items():
            setattr(os, name, call)
        io.open = builtins.open = _OPEN

    def _one(self, name: str) -> Callable[..., Any]:
        what = {"remove": "unlink"}.get(name, name)

        def call(path: Any, *more: Any, **named: Any) -> Any:
            full = self.inside(path, named.get("dir_fd"))
            if full is not None:
                self.watch(Call(what, full))
            return _TRUE[name](path, *more, **named)

        return call

    def _two(self, name: str) -> Callable[..., Any]:
        def call(path: Any, other: Any, **named: Any) -> Any:
            full, target = self.inside(path), self.inside(other)
            if full is not None and target is not None:
                self.watch(Call("replace", full, target))
            return _TRUE[name](path, other, **named)

        return call

    def _open(self, path: Any, flags: int, *more: Any, **named: Any) -> int:
        full = self.inside(path, named.get("dir_fd"))
        if full is not None:
            self.watch(Call("open" if flags & os.O_CREAT else "read", full))
        handle: int = _TRUE["open"](path, flags, *more, **named)
        if full is not None:
            self.handles[handle] = full
        return handle

    def _close(self, handle: int) -> None:
        self.handles.pop(handle, None)
        _TRUE["close"](handle)

    def _write(self, handle: int, data: bytes) -> int:
        if handle in self.handles:
            offset = os.lseek(handle, 0, os.SEEK_CUR)
            self.watch(Call("write", self.handles[handle], offset=offset, data=bytes(data)))
        done: int = _TRUE["write"](handle, data)
        return done

    def _ftruncate(self, handle: int, size: int) -> None:
        if handle in self.handles:
            self.watch(Call("truncate", self.handles[handle], offset=size))
        _TRUE["ftruncate"](handle, size)

    def _fsync(self, handle: Any) -> None:
        number = handle if isinstance(handle, int) else handle.fileno()
        if number in self.handles:
            self.watch(Call("fsync", self.handles[number]))
        _TRUE["fsync"](number)

    def _sendfile(self, out: int, source: int, offset: int, count: int, *more: Any) -> int:
        if out in self.handles:
            data = os.pread(source, count, offset)
            place = os.lseek(out, 0, os.SEEK_CUR)
            self.watch(Call("write", self.handles[out], offset=place, data=data))
        done: int = _TRUE["sendfile"](out, source, offset, count, *more)
        return done

    def _file(
        self, file: Any, mode: str = "r", buffering: int = -1, *more: Any, **named: Any
    ) -> Any:
        full = None if isinstance(file, int) else self.inside(file)
        if full is None:
            return _OPEN(file, mode, buffering, *more, **named)
        writes = any(sign in mode for sign in "wax+")
        self.watch(Call("open" if writes else "read", full, other=mode))
        if not writes:
            return _OPEN(file, mode, buffering, *more, **named)
        raw = _Raw(self, full, mode.replace("b", "").replace("t", ""))
        buffered: Any = io.BufferedRandom(raw) if "+" in mode else io.BufferedWriter(raw)
        if "b" in mode:
            return raw if buffering == 0 else buffered
        text = io.TextIOWrapper(buffered, *more, **named)
        text.mode = mode
        return text


class _Raw(io.FileIO):
    """A file whose writes are seen."""

    def __init__(self, disk: Disk, path: str, mode: str) -> None:
        super().__init__(path, mode)
        self._disk, self._path = disk, path
        disk.handles[self.fileno()] = path

    def write(self, data: Any) -> int:
        self._disk.watch(Call("write", self._path, offset=self.tell(), data=bytes(data)))
        return super().write(data)

    def truncate(self, size: int | None = None) -> int:
        self._disk.watch(Call("truncate", self._path, offset=self.tell() if size is None else size))
        return super().truncate(size)

    def close(self) -> None:
        if not self.closed:
            self._disk.handles.pop(self.fileno(), None)
        super().close()


class Count:
    """Counts the calls, and keeps them."""

    def __init__(self) -> None:
        self.calls: list[Call] = []

    def __call__(self, call: Call) -> None:
        self.calls.append(call)


class Fails:
    """Lets the ``n``-th call fail (from 1), and with ``on`` all writing ones after it: a full disk."""

    def __init__(self, n: int, code: int = errno.ENOSPC, *, on: bool = False) -> None:
        self.left, self.code, self.on = n, code, on
        self.hit: str = ""

    def __call__(self, call: Call) -> None:
        self.left -= 1
        writes = call.what in ("open", "write", "fsync", "mkdir")
        if self.left == 0 or (self.on and self.left < 0 and writes):
            self.hit = self.hit or f"{call.what} {call.path}"
            raise OSError(self.code, os.strerror(self.code), call.path)
