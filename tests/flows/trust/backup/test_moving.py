"""A farm folder moves to another computer by backup and restore, with the commands of README."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from flows.farm.folder import FarmFolder

NOBODY = 65534
README = Path(__file__).parents[4] / "README.md"


def checkstrip(*words: object, **how: Any) -> tuple[int, str]:
    """Exit code and output of a command, run as a program of its own."""
    program = "import sys; from flows.cli import main; main()"
    command = [sys.executable, "-c", program, *map(str, words)]
    ran = subprocess.run(command, check=False, capture_output=True, text=True, **how)
    return ran.returncode, ran.stdout + ran.stderr


@pytest.fixture
def elsewhere() -> Iterator[Path]:
    """A place that every user may enter."""
    with tempfile.TemporaryDirectory() as place:
        Path(place).chmod(0o755)
        yield Path(place)


def another_user(place: Path) -> dict[str, Any]:
    """How a program is run by another user, with a home and a umask of its own.

    Where this process may not do that, or that user may not run our Python, it is the same user.
    """
    home = place / "home of another"
    home.mkdir()
    how: dict[str, Any] = {"cwd": home, "env": {**os.environ, "HOME": str(home)}}
    if sys.platform == "win32":
        return how
    how["umask"] = 0o077
    if os.geteuid() == 0:
        os.chown(home, NOBODY, NOBODY)
        other = {"user": NOBODY, "group": NOBODY, "extra_groups": []}
        try:
            subprocess.run([sys.executable, "-c", "import flows.cli"], check=True, **how, **other)
        except (OSError, subprocess.CalledProcessError):
            return how
        return how | other
    return how


def test_a_farm_moves_to_another_path_and_user(farm: FarmFolder, elsewhere: Path) -> None:
    code, out = checkstrip("backup", farm.root, "--to", elsewhere / "disk")
    assert code == 0, out
    code, out = checkstrip("checksum", farm.root)
    assert code == 0, out
    before = out.splitlines()[-1]
    carried = elsewhere / "carried disk"
    shutil.move(elsewhere / "disk", carried)
    shutil.rmtree(farm.root)  # the old computer is gone
    for path in (carried, *carried.rglob("*")):
        path.chmod(0o555 if path.is_dir() else 0o444)  # and the disk can only be read

    how = another_user(elsewhere)
    moved = how["cwd"] / "Neuer Hof ü"
    code, out = checkstrip("restore", carried, moved, **how)
    assert code == 0, out
    text = (moved / "farm.toml").read_text(encoding="utf-8")
    (moved / "farm.toml").write_text(text.replace("../the share/farm", "backups"))
    code, out = checkstrip("once", moved, **how)
    assert code == 0, out
    assert "backup:" in out  # the first one from here, in the new place
    code, out = checkstrip("checksum", moved, **how)
    assert (code, out.splitlines()[-1]) == (0, before)
    code, out = checkstrip("status", moved, **how)
    assert code == 0, out
    if sys.platform != "win32":
        assert not [p for p in (moved / "archive").rglob("*") if p.stat().st_mode & 0o077]


def test_readme_names_the_steps_in_this_order() -> None:
    section = README.read_text(encoding="utf-8").partition("### Moving to a new computer")[2]
    commands = re.findall(r"`checkstrip (\w+)", section.partition("\n## ")[0])
    order = ["service", "once", "backup", "restore", "inspect", "once", "checksum", "service"]
    assert commands == order
