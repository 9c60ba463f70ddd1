import base64
import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import httpx
import pytest
from websockets.exceptions import InvalidStatus
from websockets.sync.client import connect

from flows.base import lock
from flows.base.errors import Busy, UserError
from flows.farm.folder import FarmFolder
from flows.run import serve
from flows.setup.new import new


@pytest.fixture
def farm(tmp_path: Path) -> FarmFolder:
    """A new farm whose schedule is every few seconds."""
    root = tmp_path / "farm"
    new(root, "metric")
    text = (root / "farm.toml").read_text(encoding="utf-8")
    text += '\n[schedules]\ncollect = "* * * * * */4"\n'
    (root / "farm.toml").write_text(text, encoding="utf-8")
    return FarmFolder.at(root)


def started(farm: FarmFolder) -> subprocess.Popen[str]:
    """``checkstrip run`` in a process group of its own."""
    program = "import sys; sys.argv[0] = 'checkstrip'; from flows.cli import main; main()"
    return subprocess.Popen(
        [sys.executable, "-c", program, "run", str(farm.root)],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
        start_new_session=True,
    )


def wait_for(what: Callable[[], bool], process: subprocess.Popen[str], limit_s: float) -> None:
    until = time.monotonic() + limit_s
    while not what():
        assert process.poll() is None, process.communicate()[0]
        assert time.monotonic() < until, "it took too long"
        time.sleep(0.3)


@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C to one process is of POSIX")
def test_run_does_its_schedules_and_stops_cleanly(farm: FarmFolder) -> None:
    runs = farm.state / "last_runs.json"
    process = started(farm)
    try:
        # At the start one full turn catches up what was missed; then collect comes by schedule.
        wait_for(farm.published_file.exists, process, 300)
        first = json.loads(runs.read_text())["collect"]["started_at"]
        wait_for(
            lambda: json.loads(runs.read_text())["collect"]["started_at"] > first, process, 300
        )
        with pytest.raises(Busy, match="checkstrip run"):
            serve.serve(farm, lambda sentence: None)
        its_server_is_for_this_computer_and_who_knows_the_secret(farm)
        its_server_answers_no_websocket_without_the_secret(farm)
        os.killpg(process.pid, signal.SIGINT)
        out, _ = process.communicate(timeout=120)
    finally:
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
    assert process.returncode == 0, out
    assert out.splitlines()[0].startswith(f"Running for {farm.root}.")
    assert out.splitlines()[-1] == "Stopped."
    assert "Traceback" not in out
    # Nothing is left: the whole process group is gone, and both locks are free.
    with pytest.raises(ProcessLookupError):
        os.killpg(process.pid, 0)
    for path in (farm.run_lock_file, farm.lock_file):
        with lock.hold(path, "looking"):
            pass
    said = json.loads(runs.read_text())
    assert said["derive"]["state"] == "done"
    assert (farm.state / "prefect" / "prefect.db").exists()
    log = (farm.logs / "checkstrip.log").read_text()
    assert "collect: " in log
    assert "stopped" in log


def its_server_is_for_this_computer_and_who_knows_the_secret(farm: FarmFolder) -> None:
    port = port_of(farm)
    url, origin = f"http://127.0.0.1:{port}", {"Origin": "http://elsewhere.example"}
    wrong = {"Authorization": "Basic " + base64.b64encode(b"checkstrip:guessed").decode()}
    for path in (
        "",
        "docs",
        "redoc",
        "openapi.json",
        "health",
        "ready",
        "version",
        "admin/version",
    ):
        for address in (f"{url}/{path}", f"{url}/api/{path}"):
            for method in ("GET", "POST", "OPTIONS"):
                for headers in ({}, wrong, origin, {"Authorization": "Bearer é".encode()}):
                    answer = httpx.request(method, address, headers=headers)
                    assert (answer.status_code, answer.content) == (401, b""), (method, address)
                    assert not [name for name in answer.headers if name.startswith("access-")]
    with pytest.raises(OSError), socket.create_connection(("127.0.0.2", port), timeout=5):
        pass  # another address of this computer


def its_server_answers_no_websocket_without_the_secret(farm: FarmFolder) -> None:
    for path in ("events/in", "events/out", "logs/out", "task_runs/subscriptions/scheduled"):
        address = f"ws://127.0.0.1:{port_of(farm)}/api/{path}"
        with pytest.raises(InvalidStatus) as rejected, connect(address, subprotocols=["prefect"]):
            pass
        assert rejected.value.response.status_code == 403


@pytest.mark.skipif(sys.platform == "win32", reason="a process of its own; the same server there")
def test_who_knows_the_secret_is_answered_on_every_way(farm: FarmFolder) -> None:
    """In a process of its own, because Prefect reads its settings once."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.flows.run.knows_the_secret", str(farm.root)],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told["docs"] == told["health"] == told["version"] == 200
    assert told["events in"] == told["events out"] == "open"
    assert told["its own origin"] == told["its address"]
    assert told["another origin"] is None


def port_of(farm: FarmFolder) -> int:
    log = (farm.logs / "checkstrip.log").read_text()
    (port,) = map(int, re.findall(r"started, server on 127\.0\.0\.1:(\d+)", log))
    return port


def test_it_tells_nobody_and_has_a_new_secret_each_time(farm: FarmFolder) -> None:
    settings = serve.settings(farm, 4321)
    assert settings["PREFECT_API_URL"] == "http://127.0.0.1:4321/api"
    assert settings["DO_NOT_TRACK"] == "1"
    assert settings["PREFECT_SERVER_ANALYTICS_ENABLED"] == "false"
    secret = settings["PREFECT_API_AUTH_STRING"]
    assert settings["PREFECT_SERVER_API_AUTH_STRING"] == secret
    assert secret != serve.settings(farm, 4321)["PREFECT_API_AUTH_STRING"]
    assert str(farm.state) in settings["PREFECT_HOME"]


def test_a_scheduler_that_does_not_start_is_reported(farm: FarmFolder) -> None:
    database = farm.state / "prefect" / "prefect.db"
    database.parent.mkdir(parents=True)
    database.write_bytes(b"no database" * 1000)
    process = started(farm)
    out, _ = process.communicate(timeout=300)
    assert process.returncode == 1
    assert f"The scheduler did not start. If it happens again, delete {database}" in out


def test_a_mistake_in_the_farm_file_is_told_before_anything_starts(farm: FarmFolder) -> None:
    farm.farm_toml.write_text("[farm]\nnam = 1\n", encoding="utf-8")
    with pytest.raises(UserError, match="nam"):
        serve.serve(farm, lambda sentence: None)
    assert not (farm.state / "prefect").exists()
