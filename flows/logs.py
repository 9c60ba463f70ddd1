"""Log files that stay short: state/logs/checkstrip.log and the four before it, a megabyte each."""

from __future__ import annotations

import logging
from logging.handlers import RotatingFileHandler

from flows.folder import FarmFolder

NAME = "checkstrip"
_SIZE = 1 << 20
_OLDER = 4


def to_file(folder: FarmFolder) -> logging.Logger:
    """The program's logger, writing to the farm folder's log file."""
    log = logging.getLogger(NAME)
    if not any(isinstance(handler, RotatingFileHandler) for handler in log.handlers):
        folder.logs.mkdir(parents=True, exist_ok=True)
        handler = RotatingFileHandler(
            folder.logs / f"{NAME}.log",
            maxBytes=_SIZE,
            backupCount=_OLDER,
            encoding="utf-8",
            delay=True,
        )
        handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(message)s"))
        log.addHandler(handler)
        log.setLevel(logging.INFO)
        log.propagate = False
    return log
