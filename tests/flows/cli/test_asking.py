"""The questions at a real terminal: plain lines, a wrong answer asked again, no escape sequence."""

from __future__ import annotations

import os
import select
import sys
import time
from pathlib import Path

import pytest

from flows.farm import farm_file
from tests.flows.setup.add import exports

if sys.platform == "win32":
    pytest.skip("no pseudo-terminal here", allow_module_level=True)

import pty

PROGRAM = "import sys; sys.argv[0] = 'checkstrip'; from flows.cli import main; main()"
LONGEST_S = 300.0


def at_terminal(words: list[str], answers: list[str], cwd: Path) -> tuple[int, str]:
    """Exit code and all that the terminal shows; an answer is typed at each prompt."""
    pid, terminal = pty.fork()
    if pid == 0:
        os.chdir(cwd)
        os.execve(
            sys.executable,
            [sys.executable, "-c", PROGRAM, *words],
            {**os.environ, "TERM": "dumb", "PYTHONPATH": str(Path(__file__).parents[3])},
        )
    shown, begun, left = "", time.monotonic(), list(answers)
    while time.monotonic() - begun < LONGEST_S:
        if select.select([terminal], [], [], 1.0)[0]:
            try:
                block = os.read(terminal, 65536)
            except OSError:
                break
            if not block:
                break
            shown += block.decode("utf-8", "replace")
        elif left and shown.rstrip("\r\n").endswith(": "):
            os.write(terminal, left.pop(0).encode() + b"\n")
    _, status = os.waitpid(pid, 0)
    os.close(terminal)
    assert not left, shown
    return os.waitstatus_to_exitcode(status), shown


def test_new_and_add_are_answered_line_by_line(tmp_path: Path) -> None:
    answers = [
        "Home farm",
        "3",
        "dollars",
        "",
        "49.5, -98",
        "high",
        "250 m",
        "America/Winnipeg",
        "",
    ]
    code, shown = at_terminal(["new", "farm"], answers, tmp_path)
    assert code == 0, shown
    assert "expected a code of three letters" in shown
    assert "expected a height" in shown
    farm = farm_file.load(tmp_path / "farm" / "farm.toml")
    assert (farm.farm.name, farm.farm.units, farm.farm.currency) == ("Home farm", "canada", "CAD")
    assert (farm.place.elevation_m, farm.place.longitude) == (250, -98)
    exports.semicolon_probe(tmp_path / "north_treated_soil.csv")
    # stamp, clock, instrument, field, strip, since, and whether to go on
    answers = ["1", "", "north probe", "North", "", "last spring", "2025-05-04", "y"]
    code, more = at_terminal(["add", "farm", "north_treated_soil.csv"], answers, tmp_path)
    assert code == 0, more
    assert "expected a day such as 2024-04-20" in more
    assert "vwc_mean_pct" in more
    assert "\x1b" not in shown + more
    (probe,) = farm_file.load(tmp_path / "farm" / "farm.toml").probes
    assert (probe.name, probe.spells[0].strip, str(probe.spells[0].from_day)) == (
        "north probe",
        "treated",
        "2025-05-04",
    )
