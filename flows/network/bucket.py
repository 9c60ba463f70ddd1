"""The task of the engine: the farms of one bucket, one after the other, each in a child process.

A task that is run again after its worker was killed goes on where that one was: farms that have ended in
this round are not done twice. The process that forks the children stays for the next bucket.
"""

from __future__ import annotations

import atexit
import json
import os
import socket
import subprocess
import sys
import threading
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from pydantic import TypeAdapter

from flows.base import computing
from flows.base.version import VERSION
from flows.network.hosts import Farm, Host, Turn
from schemas.farm.hosting import Limits

_TURN = TypeAdapter(Turn)
PROGRAM = "flows.network.children"
_SPARE_S = 60.0  # beyond a farm's time, until its answer must be there


def work(
    root: str, number: str, farms: Sequence[Farm], limits: Limits, fence: int | None
) -> list[Turn]:
    """Do the turn of each farm that has not ended in the round; return the rows of all of them."""
    host, rows = Host(Path(root)), []
    for farm in farms:
        ended = host.ended_of(number, farm.name)
        rows.append(ended or _here().turn(host, number, farm, limits, fence))
    return rows


def not_done(
    host: Host, number: str, farm: Farm, state: Literal["failed", "refused"], why: str
) -> Turn:
    """Record a farm whose turn could not, or may not, be done."""
    now = datetime.now(UTC).isoformat()
    return host.end(Turn(number, farm.name, farm.id, now, now, state, why, _name(), VERSION))


class Children:
    """The process that forks a child for each farm (see ``children``), started when it is first needed."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None

    def turn(self, host: Host, number: str, farm: Farm, limits: Limits, fence: int | None) -> Turn:
        """Have a farm's turn done; if the process that forks is gone, the farm failed and it is started anew."""
        request = {
            "host": str(host.root),
            "folder": farm.name,
            "farm": farm.id,
            "round": number,
            "worker": _name(),
            "time_s": limits.time_s,
            "memory_mb": limits.memory_mb,
            "fence": fence,
        }
        answer = b""
        try:
            process = self._started()
            assert process.stdin is not None
            assert process.stdout is not None
            process.stdin.write(json.dumps(request).encode() + b"\n")
            process.stdin.flush()
            watch = threading.Timer(limits.time_s + _SPARE_S, process.kill)
            watch.start()
            try:
                answer = process.stdout.readline()
            finally:
                watch.cancel()
        except OSError:
            pass
        if answer:
            return _TURN.validate_json(answer)
        self.end()
        why = "The process that does the farms' turns was ended from outside."
        return not_done(host, number, farm, "failed", why)

    def _started(self) -> subprocess.Popen[bytes]:
        if self._process is None or self._process.poll() is not None:
            self._process = subprocess.Popen(  # noqa: S603 - our own program, and no shell
                [sys.executable, "-m", PROGRAM],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                env={**os.environ, **computing.ONE_THREAD},
            )
            assert self._process.stdout is not None
            if not self._process.stdout.readline():
                raise OSError("it did not start")
        return self._process

    def end(self) -> None:
        """End the process; the child at work, if there is one, is stopped by it."""
        if self._process is not None:
            for pipe in (self._process.stdin, self._process.stdout):
                if pipe is not None:
                    pipe.close()
            try:
                self._process.wait(10)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
        self._process = None


_OWN = threading.local()


def _here() -> Children:
    """Return the children's process of this thread of the worker."""
    if not hasattr(_OWN, "children"):
        _OWN.children = Children()
        atexit.register(_OWN.children.end)
    own: Children = _OWN.children
    return own


def _name() -> str:
    return f"{socket.gethostname()} {os.getpid()}"
