"""Log files that stay short: state/logs/checkstrip.log and the four before it, a megabyte each."""

import io
import logging
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from itertools import pairwise
from pathlib import Path

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
    if not _writes(log):
        log.addHandler(_handler(folder))
        log.setLevel(logging.INFO)
        log.propagate = False
    return log


@contextmanager
def kept(folder: FarmFolder) -> Iterator[None]:
    """Write what is logged inside to the farm folder's log file, unless a log file is open."""
    log = logging.getLogger(NAME)
    if _writes(log):
        yield
        return
    handler = _handler(folder)
    log.addHandler(handler)
    try:
        yield
    finally:
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


def _writes(log: logging.Logger) -> bool:
    return any(isinstance(handler, _LogFile) for handler in log.handlers)


def _handler(folder: FarmFolder) -> logging.Handler:
    handler = _LogFile(folder.logs / f"{NAME}.log")
    handler.setFormatter(Lines("%(asctime)s %(levelname)s %(message)s"))
    return handler


class _LogFile(logging.Handler):
    """Adds lines to a log file that no process holds open between two of them.

    ``run`` and the runs that it starts write to the same file. Windows renames no file that another
    process has open; elsewhere that process would go on writing to the renamed one. If the file
    cannot be written (a full disk), the work goes on without it.
    """

    def __init__(self, path: Path) -> None:
        super().__init__()
        self._path, self._alone = path, path.with_name("log.lock")

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
