"""Work in a process of its own that is killed in the middle."""

from __future__ import annotations

import multiprocessing
import signal
import time
from collections.abc import Callable
from multiprocessing.connection import Connection
from pathlib import Path


def killed(work: Callable[[Path], None], root: Path, after_s: float) -> bool:
    """Kill ``work(root)`` so long after it began (POSIX); whether it was still at work."""
    fresh = multiprocessing.get_context("spawn")
    told, tells = fresh.Pipe(duplex=False)
    process = fresh.Process(target=_begin, args=(work, root, tells))
    process.start()
    assert told.recv() == "at work"
    time.sleep(after_s)
    process.kill()
    process.join()
    assert process.exitcode in (0, -signal.SIGKILL)
    return process.exitcode != 0


def _begin(work: Callable[[Path], None], root: Path, tells: Connection) -> None:
    tells.send("at work")
    work(root)
