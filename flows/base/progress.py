"""Progress of long work: a bar on a terminal after two seconds, nothing anywhere else."""

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Protocol

PATIENCE_S = 2.0


class Tick(Protocol):
    """Called now and then with what is being done, and how much of how much is finished."""

    def __call__(self, doing: str, done: int, total: int) -> None:
        """Note progress."""


def silent(doing: str, done: int, total: int) -> None:
    """Show nothing: the Tick of work without a bar."""


@contextmanager
def bar() -> Iterator[Tick]:
    """Yield a Tick that draws a bar on standard error, on a terminal and if the work takes long."""
    if not sys.stderr.isatty():
        yield silent
        return
    # here, so that a command without a terminal starts without rich
    from rich.console import Console  # noqa: PLC0415
    from rich.progress import Progress  # noqa: PLC0415

    shown = Progress(console=Console(stderr=True), transient=True)
    began = time.monotonic()
    task = shown.add_task("", total=None)

    def tick(doing: str, done: int, total: int) -> None:
        if not shown.live.is_started and time.monotonic() - began > PATIENCE_S:
            shown.start()
        shown.update(task, description=doing, completed=done, total=total)

    try:
        yield tick
    finally:
        if shown.live.is_started:
            shown.stop()
