"""A lock that the operating system holds: it is free the moment its process ends, however it ends."""

import errno
import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from flows.base import files
from flows.base.errors import Busy

# The byte that is locked lies beyond the text, because Windows lets nobody read a locked byte.
_BYTE = 1 << 20
# What says that another process has it; on Windows and some network drives "access denied" does too.
_TAKEN = (errno.EAGAIN, errno.EWOULDBLOCK, errno.EACCES, errno.EDEADLK)

if sys.platform == "win32":
    import msvcrt

    def _take(handle: int) -> None:
        os.lseek(handle, _BYTE, os.SEEK_SET)
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)

    def _give_back(handle: int) -> None:
        os.lseek(handle, _BYTE, os.SEEK_SET)
        msvcrt.locking(handle, msvcrt.LK_UNLCK, 1)

else:
    import fcntl

    def _take(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)

    def _give_back(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_UN)


@contextmanager
def hold(path: Path, doing: str, wait_s: float = 0.0) -> Iterator[None]:
    """Hold the lock at ``path`` while ``doing``; raise Busy, naming the holder, if it stays taken.

    Raises OSError if the disk cannot lock it at all: that is no other Checkstrip at work. The file
    itself stays: a lock file that comes and goes can be held twice.
    """
    files.make_folder_for(path.parent, 0o700)
    handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        until = time.monotonic() + wait_s
        while True:
            try:
                _take(handle)
                break
            except OSError as taken:
                if taken.errno not in _TAKEN:
                    why = f"it cannot be locked: {taken.strerror}"
                    raise OSError(taken.errno, why, str(path)) from taken
                if time.monotonic() >= until:
                    raise Busy(
                        f"Another Checkstrip is at work on this farm folder ({holder(path)}). "
                        "Only one may write at a time: wait until it has finished, or stop it."
                    ) from taken
            time.sleep(0.01)
        os.ftruncate(handle, 0)
        os.lseek(handle, 0, os.SEEK_SET)
        os.write(handle, f"process {os.getpid()}, {doing}".encode())
        try:
            yield
        finally:
            with suppress(OSError):
                os.ftruncate(handle, 0)
            _give_back(handle)
    finally:
        os.close(handle)


def holder(path: Path) -> str:
    """Return who wrote the lock file last, in a few words."""
    try:
        return path.read_text(encoding="utf-8").strip("\0 \n") or "it does not say which"
    except (OSError, UnicodeDecodeError):
        return "it does not say which"
