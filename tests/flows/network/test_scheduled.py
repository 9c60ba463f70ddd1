"""Rounds on a schedule: by the program's own Prefect server, and by one that an operator runs already."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import httpx
import pytest

from flows.network.hosts import Host
from tests.flows.network import hosted

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="farms are hosted on POSIX systems")
PROGRAM = "import sys; sys.argv[0] = 'checkstrip'; from flows.cli import main; main()"


@pytest.fixture
def host(tmp_path: Path) -> Host:
    """A host whose one farm may not run, which takes no time, every few seconds."""
    host = hosted.host_at(tmp_path / "farms", '[round]\nschedule = "* * * * * */5"\n')
    (hosted.add(host, "broken") / "farm.toml").write_text("[farm\n")
    return host


@contextmanager
def started(words: list[str], log: Path, **more: str) -> Iterator[subprocess.Popen[bytes]]:
    """A process in a group of its own, ended with what it started."""
    with log.open("wb") as out:
        process = subprocess.Popen(
            [sys.executable, *words],
            stdout=out,
            stderr=subprocess.STDOUT,
            env={**os.environ, "PYTHONUNBUFFERED": "1", **more},
            start_new_session=True,
        )
        try:
            yield process
        finally:
            with suppress(ProcessLookupError):  # it has ended by itself
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()


def until(what: Callable[[], bool], process: subprocess.Popen[bytes], log: Path) -> None:
    end = time.monotonic() + 240
    while not what():
        assert process.poll() is None, log.read_text()
        assert time.monotonic() < end, log.read_text()
        time.sleep(0.3)


def went(host: Host) -> bool:
    return [turn.state for turn in host.last_round()] == ["refused"]


def test_by_its_own_server(host: Host, tmp_path: Path) -> None:
    log = tmp_path / "log"
    words = ["-c", PROGRAM, "network", "run", str(host.root), "--serve", "--workers", "1"]
    with started(words, log) as process:
        until(lambda: went(host), process, log)
        assert "Rounds over" in log.read_text()
        process.send_signal(signal.SIGINT)
        assert process.wait(60) == 0
    assert log.read_text().strip().endswith("Stopped.")
    assert "Traceback" not in log.read_text()


def test_registered_at_a_server_that_runs_already(host: Host, tmp_path: Path) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    address = f"http://127.0.0.1:{port}/api"
    own = {"PREFECT_HOME": str(tmp_path / "prefect"), "DO_NOT_TRACK": "1"}
    own["PREFECT_SERVER_ANALYTICS_ENABLED"] = "false"
    server_log, log = tmp_path / "server log", tmp_path / "log"

    def answers() -> bool:
        try:
            return httpx.get(f"{address}/health").status_code == 200
        except httpx.HTTPError:
            return False

    def ended() -> list[dict[str, object]]:
        wanted = {"flow_runs": {"state": {"type": {"any_": ["COMPLETED"]}}}}
        found: list[dict[str, object]] = httpx.post(
            f"{address}/flow_runs/filter", json=wanted, timeout=30
        ).json()
        return found

    serving = ["-m", "prefect", "server", "start", "--host", "127.0.0.1", "--port", str(port)]
    words = ["-c", PROGRAM, "network", "run", str(host.root), "--serve", "--workers", "1"]
    with started([*serving, "--no-ui"], server_log, **own) as server:
        until(answers, server, server_log)
        with started([*words, "--prefect", address], log, **own) as process:
            until(lambda: went(host) and bool(ended()), process, log)
        known = httpx.post(f"{address}/deployments/filter", json={}, timeout=30).json()
        runs = ended()
    assert [one["name"] for one in known] == [socket.gethostname()]
    assert {run["deployment_id"] for run in runs} == {known[0]["id"]}
    assert known[0]["parameters"]["folder"] == str(host.root)
    assert len(list((host.state / "rounds").glob("*.json"))) >= 1  # one run a round, not one a farm
    assert not (host.state / "prefect").exists()  # no server of its own
