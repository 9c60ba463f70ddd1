"""Log files that stay short: state/logs/checkstrip.log and the four before it, a megabyte each."""

import logging
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from logging.handlers import RotatingFileHandler

from flows.base.plain_text import Lines
from flows.farm.folder import FarmFolder

NAME = "checkstrip"
_SIZE = 1 << 20
_OLDER = 4


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


def _writes(log: logging.Logger) -> bool:
    return any(isinstance(handler, RotatingFileHandler) for handler in log.handlers)


def _handler(folder: FarmFolder) -> logging.Handler:
    with suppress(OSError):
        folder.logs.mkdir(parents=True, exist_ok=True)
    handler = _LogFile(
        folder.logs / f"{NAME}.log",
        maxBytes=_SIZE,
        backupCount=_OLDER,
        encoding="utf-8",
        errors="backslashreplace",
        delay=True,
    )
    handler.setFormatter(Lines("%(asctime)s %(levelname)s %(message)s"))
    return handler


class _LogFile(RotatingFileHandler):
    """A log file; if it cannot be written (a full disk), the work goes on without it."""

    def handleError(self, record: logging.LogRecord) -> None:
        """Pass over it."""
