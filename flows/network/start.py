"""Start a round: with workers of its own, with an operator's scheduler, or without any farm to host."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from flows.base.errors import UserError
from flows.network import engine, rounds
from flows.network.hosts import Host
from flows.network.rounds import Round

if TYPE_CHECKING:
    from distributed import Client


def round_over(host: Host, workers: int | None = None, scheduler: str | None = None) -> Round:
    """Do one round; see ``rounds.run`` for what it raises.

    A host without farms only makes the network's snapshot, and starts no worker for it.
    """
    if scheduler is None and not host.farms():
        return rounds.snapshot_only(host)
    if sys.platform == "win32":
        raise UserError(
            "Farms are hosted on Linux and macOS only: a process that forks for each farm is needed. On "
            "Windows each farm runs by itself (checkstrip run)."
        )
    with _engine(workers, scheduler) as client:
        return rounds.run(host.root, client)


@contextmanager
def _engine(workers: int | None, scheduler: str | None) -> Iterator[Client]:
    if scheduler is not None:
        with engine.joined(scheduler) as client:
            yield client
    else:
        with engine.started(workers or os.cpu_count() or 1) as client:
            yield client
