"""Log files that stay short: state/logs/checkstrip.log and the four before it, a megabyte each."""

import io
import logging
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from itertools import pairwise

from flows.base import lock
from flows.base.plain_text import Lines
from flows.farm.folder import FarmFolder

NAME = "checkstrip"
_SIZE = 1 << 20
_OLDER = 4
_WAIT_S = 2.0  # for another process to write its line


def to_file(folder: FarmFolder) -> logging.Logger:
    """Return the program's logger, writing to the farm folder's log file from now on."""
    log = logging.getLogger(NAME)
    if not _is_open(folder):
        log.addHandler(_LogFile(folder, of_process=True))
        log.setLevel(logging.INFO)
        log.propagate = False
    return log


@contextmanager
def kept(folder: FarmFolder) -> Iterator[None]:
    """Write what is logged inside to the farm folder's log file, and to no other farm's.

    Inside means in the same thread or task: a process may work on several farms at a time.
    """
    if _is_open(folder):
        yield
        return
    log, handler = logging.getLogger(NAME), _LogFile(folder)
    log.addHandler(handler)
    before = _HERE.set(handler)
    try:
        yield
    finally:
        _HERE.reset(before)
        log.removeHandler(handler)
        handler.close()


class Said(io.TextIOBase):
    """A stream whose whole lines go to a log: what processes say that nobody watches."""

    def __init__(self, log: logging.Logger) -> None:
        super().__init__()
        self._log, self._begun = log, ""

    def write(self, text: str) -> int:
        """Log the lines that ``text`` ends, and keep the one that it begins."""
        *lines, self._begun = f"{self._begun}{text}".split("\n")
        for line in filter(str.strip, lines):
            self._log.warning("%s", line.rstrip())
        return len(text)


def _is_open(folder: FarmFolder) -> bool:
    """Return whether what is logged here goes to the farm folder's log file already."""
    here = _HERE.get()
    handlers = [here] if here is not None else logging.getLogger(NAME).handlers
    return any(isinstance(one, _LogFile) and one.folder == folder for one in handlers)


class _LogFile(logging.Handler):
    """Adds lines to a log file that no process holds open between two of them.

    ``run`` and the runs that it starts write to the same file. Windows renames no file that another
    process has open; elsewhere that process would go on writing to the renamed one. If the file
    cannot be written (a full disk), the work goes on without it.
    """

    def __init__(self, folder: FarmFolder, *, of_process: bool = False) -> None:
        super().__init__()
        self.folder, self._of_process = folder, of_process
        self._path, self._alone = folder.logs / f"{NAME}.log", folder.logs / "log.lock"
        self.setFormatter(Lines("%(asctime)s %(levelname)s %(message)s"))

    def filter(self, record: logging.LogRecord) -> bool:
        """Take what is logged in its own ``kept``; that of the process, what is logged in none."""
        here = _HERE.get()
        mine = here is self or (here is None and self._of_process)
        return mine and bool(super().filter(record))

    def emit(self, record: logging.LogRecord) -> None:
        """Add a line; one process at a time."""
        try:
            line = f"{self.format(record)}\n".encode("utf-8", "backslashreplace")
            with lock.hold(self._alone, "writing the log", wait_s=_WAIT_S):
                with suppress(
                    OSError
                ):  # whatever looks at an older file: the next line tries again
                    self._begin_another()
                self._path.touch(0o600)
                with self._path.open("ab") as out:
                    out.write(line)
        except Exception:
            self.handleError(record)

    def _begin_another(self) -> None:
        """Rename a full file, and those before it, so that a new one begins."""
        if not self._path.exists() or self._path.stat().st_size < _SIZE:
            return
        names = [
            self._path,
            *(self._path.with_name(f"{NAME}.log.{n}") for n in range(1, _OLDER + 1)),
        ]
        for newer, older in reversed(list(pairwise(names))):
            if newer.exists():
                newer.replace(older)

    def handleError(self, record: logging.LogRecord) -> None:
        """Pass over it."""


# Whose log the lines of this thread or task go to.
_HERE: ContextVar[_LogFile | None] = ContextVar("log file", default=None)
