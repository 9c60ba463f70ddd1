"""Files written, replaced and synced alike on every system.

A power cut leaves the old file or the new one, and another program that looks at a file meanwhile
stops nothing.
"""

import ntpath
import os
import secrets
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import IO, Annotated, Any, TypeVar

from pydantic import AfterValidator, TypeAdapter

if sys.platform != "win32":
    import fcntl

T = TypeVar("T")


def _with_offset(text: str) -> str:
    if datetime.fromisoformat(text).tzinfo is None:
        raise ValueError(f"{text} has no offset from UTC")
    return text


Stamp = Annotated[str, AfterValidator(_with_offset)]  # of a state file: ISO 8601 with its offset

ANSWER_S = 30.0  # a network drive that sleeps may need that long to wake
# Between the tries to replace a file on Windows: a scanner or a reader lets go of it soon.
PAUSES_S = (0.02, 0.05, 0.1, 0.2, 0.4, 0.8)
# Windows takes paths of up to 259 characters, and longer ones only with this before them.
LONGEST, DEEP = 259, "\\\\?\\"
LEFTOVER_S = 3600.0  # a part that nobody finished in an hour is of a process that was killed


def readable(name: str) -> str:
    """Return a file's name as text that can be stored: bytes of no known encoding are spelled out."""
    return name.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def write_text(path: Path, text: str) -> None:
    """Put ``text`` into a file, completely or not at all."""
    write_bytes(path, text.encode("utf-8"))


def write_bytes(path: Path, content: bytes) -> None:
    """Put ``content`` into a file, completely or not at all."""
    make_folder(path.parent)
    part = path.with_name(f".{path.name}.{unique()}.part")
    try:
        begin(part)
        with part.open("wb") as out:
            out.write(content)
            sync(out)
        replace(part, path)
    finally:
        part.unlink(missing_ok=True)
    sync_folder(path.parent)
    _remove_leftovers(path.parent)


def unique() -> str:
    """Return a word for the name of an unfinished file that no other process has, on any computer.

    The number of a process is not enough: two computers, or two containers, may both have it.
    """
    return f"{os.getpid()}-{secrets.token_hex(6)}"


def begin(path: Path) -> None:
    """Make an empty file; others may read it if they may read its folder, and never write to it."""
    path.touch(path.parent.stat().st_mode & 0o644)


def _remove_leftovers(folder: Path) -> None:
    """Remove what killed processes left half-written in a folder."""
    for part in folder.glob(".*.part"):
        with suppress(OSError):
            if time.time() - part.stat().st_mtime > LEFTOVER_S:
                part.unlink()


def read_state(path: Path, shape: type[T]) -> T | None:
    """Return the content of a small JSON file of our own; None if it has no content of that shape.

    Such a file may be lost, cut or of another program at any time. ``shape`` is a type that
    pydantic can check, so that no caller meets a value of another kind.
    """
    with suppress(OSError, ValueError):
        found: T = _checked_as(shape).validate_json(path.read_bytes())  # type: ignore[arg-type]
        return found
    return None


@cache
def _checked_as(shape: Any) -> TypeAdapter[Any]:
    return TypeAdapter(shape)


def make_folder(path: Path) -> None:
    """Make a folder and those above it, and force their names to disk.

    Without it a power cut may take a new folder away with all that was synced inside it.
    """
    if path.is_dir():
        return
    make_folder(path.parent)
    path.mkdir(exist_ok=True)
    sync_folder(path.parent)


def is_inside(path: Path, farm: Path) -> bool:
    """Return whether ``path`` lies in the folder ``farm`` itself, not behind a link; asks no other disk."""
    if not path.is_relative_to(farm) or ".." in path.parts:
        return False
    above = [one for one in (path, *path.parents) if one != farm and one.is_relative_to(farm)]
    return not any(one.is_symlink() for one in reversed(above))


def answers(path: Path, farm: Path, seconds: float = ANSWER_S) -> bool:
    """Return whether ``path`` responds within ``seconds``; that nothing is there is a response too.

    A network drive whose server is down can block a file call forever, and the call cannot be
    canceled. So a child process makes it and is abandoned at the timeout. Paths inside the folder
    ``farm`` are not tested.
    """
    if is_inside(path, farm):
        return True
    program = [sys.executable, "-I", "-S", "-c", "import os, sys; os.path.exists(sys.argv[1])"]
    child = subprocess.Popen(  # noqa: S603 - our own words, and no shell
        [*program, str(path)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
    )
    try:
        child.wait(seconds)
    except subprocess.TimeoutExpired:
        child.kill()
        return False
    return True


def is_there(path: Path, farm: Path) -> bool:
    """Return whether ``path`` is a folder that responds (see ``answers``)."""
    return answers(path, farm) and path.is_dir()


@contextmanager
def private() -> Iterator[None]:
    """Make files inside for this user alone (on Windows the folder's own rights hold)."""
    before = os.umask(0o077)
    try:
        yield
    finally:
        os.umask(before)


def make_folder_for(path: Path, mode: int) -> None:
    """Make a folder with these rights; an existing folder keeps its own."""
    if not path.is_dir():
        make_folder(path.parent)
        path.mkdir(exist_ok=True)
        path.chmod(mode)


def replace(new: Path, old: Path) -> None:
    """Put a file in the place of another (or of none) in one step.

    Windows does not allow that while another program has the file open: it is tried for some
    seconds. Raises OSError, and then the old file stays.
    """
    for pause in PAUSES_S if sys.platform == "win32" else ():
        with suppress(PermissionError):
            new.replace(old)
            return
        time.sleep(pause)
    new.replace(old)


def sync(out: IO[Any]) -> None:
    """Force what was written to an open file to disk."""
    out.flush()
    _force(out.fileno())


def sync_file(path: Path) -> None:
    """Force a file that was written and closed to disk."""
    with path.open("r+b") as written:
        sync(written)


def sync_folder(folder: Path) -> None:
    """Force the names in a folder to disk; Windows does so by itself."""
    if sys.platform == "win32":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        _force(handle)
    finally:
        os.close(handle)


def _force(handle: int) -> None:
    if sys.platform == "darwin":
        # fsync leaves it in the disk's own memory there. A network drive knows no other call.
        with suppress(OSError):
            fcntl.fcntl(handle, fcntl.F_FULLFSYNC)
            return
    os.fsync(handle)


def deep(path: Path, room: int = LONGEST) -> Path:
    """Return an absolute path as Windows follows it however long it is; elsewhere the path itself.

    ``room`` is how many characters may come below it: a path that stays short with them is left.
    """
    name = str(path)
    if sys.platform != "win32" or len(name) + room <= LONGEST:
        return path
    # After the mark nothing is looked at any more: "..", "/", the two signs of a network drive.
    name = ntpath.normpath(name.removeprefix(DEEP))
    return Path(DEEP + ("UNC" + name[1:] if name.startswith("\\\\") else name))
