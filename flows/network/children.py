"""A process that has loaded all that a farm's turn needs, and forks a child for each farm.

``python -m flows.network.children`` reads a request a line and answers with a row a line. It has no
thread of its own, so that forking it is safe; the worker that started it has several. It measures and
stops its children: what a farm does ends with the farm. If the worker dies, its end of the pipe closes, and
this process stops the child that is at work and ends too.

Linux and macOS only. Memory is limited by what a child holds, looked at several times a second, and
on Linux by its address space too, against one leap beyond everything.
"""

from __future__ import annotations

import gc
import importlib
import json
import os
import pkgutil
import select
import signal
import sys
import time
from contextlib import suppress
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NoReturn

import psutil
from pydantic import TypeAdapter

from flows.base.version import VERSION
from flows.network import farm_turn
from flows.network.farm_turn import Request
from flows.network.hosts import Host, Turn

LOOK_S = 0.2
_OURS = ("flows.intake", "flows.books", "flows.derive", "flows.store", "flows.farm", "flows.trust")
_LIBRARIES = (
    "pandera.polars",
    "polars",
    "duckdb",
    "pyarrow",
    "httpx",
    "jinja2",
    "scipy.stats",
    "shapely",
)
_REQUEST = TypeAdapter(Request)


def main() -> None:
    """Serve until the input ends."""
    load()
    gc.collect()
    gc.freeze()  # what is loaded stays shared with the children
    answers = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)  # whatever prints must not answer
    with suppress(BrokenPipeError):  # the worker is gone
        print(json.dumps({"ready": os.getpid()}), file=answers, flush=True)
        for line in sys.stdin.buffer:
            turn = work(_REQUEST.validate_json(line))
            print(json.dumps(asdict(turn)), file=answers, flush=True)


def load() -> None:
    """Import what a turn may need, so that no child does."""
    for name in _LIBRARIES:
        importlib.import_module(name)
    for room in (*_OURS, "transforms", "flows.pages.start", "flows.pages.digest"):
        package = importlib.import_module(room)
        for found in pkgutil.walk_packages(package.__path__, f"{room}."):
            if "images" not in found.name and "audit" not in found.name:
                importlib.import_module(found.name)


def work(wanted: Request) -> Turn:
    """Do a farm's turn in a child of its own; whatever becomes of it, return how it ended."""
    began, clock = datetime.now(UTC), time.monotonic()
    reading, writing = os.pipe()
    sys.stdout.flush()
    sys.stderr.flush()
    pid = os.fork()
    if pid == 0:
        os.close(reading)
        _child(wanted, writing)
    os.close(writing)
    said, stopped = _watch(pid, reading, wanted, clock + wanted.time_s)
    os.close(reading)
    with suppress(ProcessLookupError, PermissionError):
        os.killpg(pid, signal.SIGKILL)  # what it started and left behind
    _, status, used = os.wait4(pid, 0)
    state, summary = _outcome(said, stopped, status)
    peak = used.ru_maxrss / (1e6 if sys.platform == "darwin" else 1024.0)
    turn = Turn(
        round=wanted.round,
        folder=wanted.folder,
        farm=wanted.farm,
        started_at=began.isoformat(),
        ended_at=datetime.now(UTC).isoformat(),
        state=state,
        summary=summary,
        worker=wanted.worker,
        program=VERSION,
        cpu_s=round(used.ru_utime + used.ru_stime, 3),
        wall_s=round(time.monotonic() - clock, 3),
        peak_mb=round(peak, 1),
    )
    return Host(Path(wanted.host)).end(turn)


def _watch(pid: int, reading: int, wanted: Request, until: float) -> tuple[bytes, str]:
    """Wait for a child's word; return it, and why the child was stopped, if it was."""
    said, held = bytearray(), psutil.Process(pid)
    most = wanted.memory_mb + psutil.Process().memory_info().rss / 1e6  # what is loaded is shared
    while True:
        ready = select.select([reading, 0], [], [], LOOK_S)[0]
        if reading in ready:
            block = os.read(reading, 1 << 16)
            said += block
            if not block:
                return bytes(said), ""
        elif 0 in ready:  # nothing is asked while a farm is at work: the worker is gone
            with suppress(ProcessLookupError):
                os.killpg(pid, signal.SIGKILL)
            sys.exit(1)
        if time.monotonic() > until:
            return b"", f"It was stopped: its turn took longer than {wanted.time_s:g} seconds."
        with suppress(psutil.Error):
            if _held_mb(held) > most:
                return b"", f"It was stopped: it held more than {wanted.memory_mb:g} MB of memory."


def _held_mb(process: psutil.Process) -> float:
    every = (process, *process.children(recursive=True))
    return float(sum(one.memory_info().rss for one in every)) / 1e6


def _outcome(said: bytes, stopped: str, status: int) -> tuple[Any, str]:
    if stopped:
        return "failed", stopped
    with suppress(ValueError, KeyError):
        found = json.loads(said)
        return found["state"], found["summary"]
    if os.WIFSIGNALED(status):
        name = signal.Signals(os.WTERMSIG(status)).name
        return "failed", f"Its process was ended by the signal {name}."
    return "failed", f"Its process ended by itself, without a word (code {os.WEXITSTATUS(status)})."


def _child(wanted: Request, writing: int) -> NoReturn:
    """Do the turn and say how it ended. Nothing that happens here comes back into the parent."""
    try:
        os.setsid()
        null = os.open(os.devnull, os.O_RDWR)
        for stream in (0, 1, 2):
            os.dup2(null, stream)
        state, summary = farm_turn.turn(wanted)
        with os.fdopen(writing, "w", encoding="utf-8") as out:
            json.dump({"state": state, "summary": summary}, out)
    except BaseException:
        os._exit(70)
    os._exit(0)


if __name__ == "__main__":
    main()
