"""Computers of a network, as far as one kernel can have them: each with its own address, host name and disk.

A network namespace gives each its address on a bridge, a namespace of host names its name, and one of mounts
its own folder under the path that all of them use. Making them needs root.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

HERE = "10.231.77.1"
BRIDGE = "cs"  # and the number of the process that made it
LEFT = ("/run/netns", "/sys/class/net")  # computers before their bridge
ROOT = Path(__file__).parents[3]


@contextmanager
def started(
    words: Sequence[object], env: Mapping[str, str], log: Path
) -> Iterator[subprocess.Popen[bytes]]:
    """Run a program as long as it lasts; it and all that it started are killed at the end."""
    with log.open("ab") as out:
        process = subprocess.Popen(
            [str(word) for word in words],
            cwd=ROOT,
            env={**os.environ, **env},
            stdout=out,
            stderr=out,
            start_new_session=True,
        )
    try:
        yield process
    finally:
        end(process)


def end(process: subprocess.Popen[bytes]) -> None:
    """Kill a program and all that it started, as a power cut does."""
    with suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    process.wait()


@contextmanager
def scheduler(host: str, log: Path) -> Iterator[str]:
    """Run an operator's scheduler; yield its address once it answers."""
    words = [sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", host, "--port", 0]
    with started([*words, "--no-dashboard", "--no-show"], {}, log):
        limit = time.monotonic() + 60
        while "Scheduler at:" not in (said := log.read_text()):
            assert time.monotonic() < limit, said
            time.sleep(0.1)
        yield said.partition("Scheduler at:")[2].split()[0]


def worker(address: str, host: str, *more: object) -> list[object]:
    """Return the words that start a worker with one process and one thread."""
    words = [sys.executable, "-m", "distributed.cli.dask_worker", address, "--host", host]
    return [*words, "--nworkers", 1, "--nthreads", 1, "--no-dashboard", *more]


OF_A_WORKER = {"DASK_DISTRIBUTED__WORKER__DAEMON": "False"}  # it has a child of its own


@contextmanager
def several(number: int) -> Iterator[list[Computer]]:
    """Make so many computers, on a bridge on which this one is ``HERE``."""
    _clear()
    bridge = f"{BRIDGE}{os.getpid()}"
    with ExitStack() as stack:
        _ip("link", "add", bridge, "type", "bridge")
        stack.callback(_ip, "link", "del", bridge)
        _ip("addr", "add", f"{HERE}/24", "dev", bridge)
        _ip("link", "set", bridge, "up")
        found = []
        for place in range(number):
            space, cable = f"{bridge}-{place}", f"{bridge}v{place}"
            _ip("netns", "add", space)
            stack.callback(_ip, "netns", "del", space)
            _ip("link", "add", cable, "type", "veth", "peer", "name", "eth0", "netns", space)
            _ip("link", "set", cable, "master", bridge, "up")
            address = f"10.231.77.{place + 2}"
            _ip("-n", space, "addr", "add", f"{address}/24", "dev", "eth0")
            for device in ("lo", "eth0"):
                _ip("-n", space, "link", "set", device, "up")
            found.append(Computer(space, address, f"node{place}", cable))
        yield found


class Computer:
    """One of them: its name, its address, and what is run on it."""

    def __init__(self, space: str, address: str, name: str, cable: str) -> None:
        self.address, self.name = address, name
        self._space, self._cable = space, cable

    def running(self, words: Sequence[object], disk: Path, at: Path) -> list[object]:
        """Return the words that run a program on it, with ``disk`` as what is at the path ``at``."""
        inside = 'mount --bind "$1" "$2" && hostname "$3" && shift 3 && exec "$@"'
        space = ["ip", "netns", "exec", self._space, "unshare", "--mount", "--uts"]
        return [*space, "sh", "-c", inside, "sh", disk, at, self.name, *words]

    def unplug(self) -> None:
        """Take its cable out."""
        _ip("link", "set", self._cable, "down")


def _clear() -> None:
    """Take away the computers of tests that were killed: their bridge has the address of this one's."""
    for name in [path.name for kind in LEFT for path in Path(kind).glob(f"{BRIDGE}*")]:
        of, _, place = name.removeprefix(BRIDGE).partition("-")
        if of.isdigit() and not Path(f"/proc/{of}").exists():
            _ip(*(("netns", "del", name) if place else ("link", "del", name)))


def _ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True, capture_output=True)
