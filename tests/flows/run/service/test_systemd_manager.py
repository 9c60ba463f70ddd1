"""The Linux unit under a real systemd user manager, in a mount namespace of its own."""

import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from flows.run.service import install
from tests.flows.loggers import FARM, drop, make, usual

MANAGER = Path("/lib/systemd/systemd")
ROOM = f"mount -t tmpfs tmpfs /run && mkdir -p /run/systemd/system && exec {MANAGER} --user"

CAN_RUN = sys.platform.startswith("linux") and MANAGER.exists() and os.geteuid() == 0
HAS_TOOLS = all(map(shutil.which, ("unshare", "systemctl")))
pytestmark = pytest.mark.skipif(
    not (CAN_RUN and HAS_TOOLS), reason="needs systemd, and the right to a mount namespace"
)


def until(holds, seconds):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if found := holds():
            return found
        time.sleep(0.5)
    return holds()


def system(*words):
    done = subprocess.run(
        ["systemctl", "--user", "--no-pager", *words], capture_output=True, text=True, check=False
    )
    return done.stdout.strip()


@pytest.fixture
def manager(tmp_path, monkeypatch):
    """A user manager for a home of its own; skips where none can be started here."""
    for name in ("run", "home"):
        (tmp_path / name).mkdir(mode=0o700)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path / "run"))
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    monkeypatch.delenv("XDG_CONFIG_HOME", raising=False)
    with subprocess.Popen(
        ["unshare", "--mount", "sh", "-c", ROOM],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    ) as running:
        if not until(lambda: "basic.target" in system("list-units", "--state=active"), 15):
            running.kill()
            pytest.skip("a user manager cannot be started here")
        yield tmp_path
        system("exit")
        try:
            running.wait(30)
        except subprocess.TimeoutExpired:
            running.kill()


def test_the_unit_starts_works_comes_back_after_a_kill_and_goes(manager):
    folder = make(manager / "my 50% farm", FARM)
    drop(folder, "a.csv", [usual(h) for h in range(24)])
    unit = install.definition(folder).path.name
    done = install.install(folder)
    assert not done.left_to_type, done.sentences
    runs = folder.state / "last_runs.json"
    # at a start it catches up once, beginning with what lies in drop/
    assert until(lambda: runs.exists() and "24 new rows" in runs.read_text(), 120), log(folder)
    assert system("is-active", unit) == "active"

    first = system("show", "-p", "MainPID", "--value", unit)
    system("kill", "--signal=KILL", "--kill-whom=all", unit)
    assert until(lambda: system("show", "-p", "SubState", "--value", unit) == "auto-restart", 30)
    system("start", unit)  # rather than wait a minute for it
    again = until(lambda: system("show", "-p", "MainPID", "--value", unit), 30)
    assert again not in ("0", first)
    assert until(lambda: log(folder).count("started, server") == 2, 120), log(folder)

    assert not install.remove(folder).left_to_type
    assert until(lambda: "stopped" in log(folder), 10), log(folder)
    assert system("is-active", unit) != "active"
    assert not install.definition(folder).path.exists()
    assert not left_over(str(folder.root))


def log(folder):
    path = folder.logs / "checkstrip.log"
    return path.read_text(encoding="utf-8") if path.exists() else ""


def left_over(words):
    done = subprocess.run(["ps", "-eo", "args"], capture_output=True, text=True, check=True)
    return [line for line in done.stdout.splitlines() if words in line]
