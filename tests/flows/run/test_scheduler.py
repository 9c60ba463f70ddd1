"""Against the real scheduler's server: what a crash, a sleep and a wrong clock leave in its database."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from flows.setup.new import new


@pytest.mark.skipif(sys.platform == "win32", reason="a server in a thread is stopped by POSIX ways")
def test_what_was_left_is_over_and_what_was_missed_is_caught_up_once(tmp_path: Path) -> None:
    root = tmp_path / "farm"
    new(root, "metric")
    toml = root / "farm.toml"
    toml.write_text(toml.read_text(encoding="utf-8") + "\n[backup]\nto = '../away'\n")
    ran = subprocess.run(
        [sys.executable, "-m", "tests.flows.run.scheduler_program", str(root)],
        capture_output=True,
        text=True,
        check=False,
        cwd=Path(__file__).parents[3],
    )
    assert ran.returncode == 0, ran.stderr[-3000:]
    said = json.loads(ran.stdout.splitlines()[-1])
    assert said["flows"] == ["collect", "digest", "audit", "backup", "turn"]
    assert said["after a crash"] == {"left": ["Crashed"], "at work": 0}
    assert said["newest only"]
    assert said["caught up without need"] == 0
    assert said["caught up after sleep"] == 1
    assert said["late after sleep"] == 0
    assert said["set back"] == "the clock was set back by 60 minutes."
    assert said["renewed while at work"] is False
    assert "run for a week" in said["renewed"]
