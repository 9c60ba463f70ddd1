"""The lines that divide the suite name what exists, and no room is without a quick test."""

from pathlib import Path

import pytest

from tests.suite import APART, QUICK, SLOW, WAITING, WHOLE

ROOT = Path(__file__).parents[1]
LINES = (QUICK + SLOW + WHOLE + APART + WAITING).split()
ROOMS = sorted(
    {path.parent.relative_to(ROOT).as_posix() for path in ROOT.glob("tests/**/test_*.py")}
)


@pytest.mark.parametrize("line", LINES)
def test_a_line_names_what_exists(line: str) -> None:
    path, _, test = line.partition("::")
    assert (ROOT / path).exists()
    assert not test or f"def {test}" in (ROOT / path).read_text(encoding="utf-8")


@pytest.mark.parametrize("room", ROOMS)
def test_a_room_has_a_quick_test(room: str) -> None:
    assert any(line.startswith(room) or room.startswith(line) for line in QUICK.split())
