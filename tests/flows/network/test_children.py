"""Whatever a farm's turn does, it ends with the farm: the next one is none the wiser."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import psutil
import pytest

from flows.network import bucket
from flows.network.hosts import Host, Turn
from schemas.farm.hosting import Limits
from tests.flows.network import hosted

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="farms are hosted on POSIX systems")
LIMITS = Limits(time_s=3, memory_mb=400)


@pytest.fixture
def host(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Host:
    monkeypatch.setattr(bucket, "PROGRAM", "tests.flows.network.poisoned")
    return hosted.host_at(tmp_path / "farms")


@pytest.fixture
def children() -> Iterator[bucket.Children]:
    own = bucket.Children()
    yield own
    own.end()


def done(host: Host, children: bucket.Children, name: str, number: str = "r") -> Turn:
    farm = next(farm for farm in host.farms() if farm.name == name)
    return children.turn(host, number, farm, LIMITS, None)


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("exits", r"ended by itself, without a word \(code 3\)"),
        ("crashes", "ended by the signal SIGSEGV"),
        ("loops", "longer than 3 seconds"),
        ("eats", "held more than 400 MB"),
        ("leaps", "ended by itself" if sys.platform != "linux" else r"MemoryError|ended by itself"),
        ("kills", "was ended from outside"),
    ],
)
def test_a_farm_that_does_harm_is_one_row(
    host: Host, children: bucket.Children, name: str, said: str
) -> None:
    for one in ("a", name, "b"):
        hosted.add(host, one)
    before, bad, after = (done(host, children, one) for one in ("a", name, "b"))
    assert (before.state, after.state) == ("done", "done")
    assert bad.state == "failed"
    assert re.search(said, bad.summary), bad.summary
    assert bad.farm == hosted.farm_id(name)
    if name in ("loops", "eats"):
        assert bad.cpu_s > 0.1
    if name == "loops":
        assert 2.9 < bad.wall_s < 30
    if name == "eats":
        assert 400 < bad.peak_mb < 3000
    assert host.ended_of("r", name) == bad


def test_what_a_farm_started_ends_with_it(host: Host, children: bucket.Children) -> None:
    root = hosted.add(host, "orphans")
    assert done(host, children, "orphans").state == "done"
    orphan = int((root / "orphan").read_text())
    until = time.monotonic() + 10
    while psutil.pid_exists(orphan) and psutil.Process(orphan).status() != psutil.STATUS_ZOMBIE:
        assert time.monotonic() < until, "it is still there"
        time.sleep(0.05)


def test_what_a_farm_prints_is_no_answer(host: Host, children: bucket.Children) -> None:
    hosted.add(host, "talks")
    assert done(host, children, "talks").summary == "talks did its turn"


def test_a_farm_sees_its_own_secrets_only(
    host: Host, children: bucket.Children, monkeypatch: pytest.MonkeyPatch
) -> None:
    host.file.write_text('[secrets.reads]\nTOKEN = "A_TOKEN"\n')
    monkeypatch.setenv("A_TOKEN", "1")
    monkeypatch.setenv("B_TOKEN", "2")
    hosted.add(host, "reads")
    said = done(host, children, "reads").summary
    assert said.endswith("{'A_TOKEN': '1', 'B_TOKEN': None}"), said


def test_a_farm_ends_once_in_a_round(host: Host, children: bucket.Children) -> None:
    """A bucket that is run again goes on where it was; a row that comes late does not replace the first."""
    for name in ("a", "b"):
        hosted.add(host, name)
    farms = host.farms()
    first = done(host, children, "a")
    rows = bucket.work(str(host.root), "r", farms, LIMITS, None)
    assert rows[0] == first
    assert (host.root / "a" / "ran").read_text().count("\n") == 1
    late = bucket.not_done(host, "r", farms[1], "failed", "too late")
    assert late == rows[1]
    assert [turn.state for turn in host.close("r")] == ["done", "done"]
    assert host.last_round() == rows


WORKER = """
import sys
from pathlib import Path
from flows.network import bucket
from flows.network.hosts import Host
from schemas.farm.hosting import Limits
bucket.PROGRAM = "tests.flows.network.poisoned"
host = Host(Path(sys.argv[1]))
bucket.work(str(host.root), "r", host.farms(), Limits(), None)
"""


def test_a_killed_workers_child_does_not_go_on(host: Host) -> None:
    root = hosted.add(host, "loops")
    worker = subprocess.Popen([sys.executable, "-c", WORKER, str(host.root)])
    try:
        until = time.monotonic() + 60
        while not (root / "ran").is_file() or not (root / "ran").read_text():
            assert time.monotonic() < until
            time.sleep(0.05)
        child = int((root / "ran").read_text())
        worker.send_signal(signal.SIGKILL)
        worker.wait()
        until = time.monotonic() + 20
        while psutil.pid_exists(child):
            assert time.monotonic() < until, "it is still at work"
            time.sleep(0.05)
    finally:
        worker.kill()
    assert host.ended_of("r", "loops") is None


def test_two_folders_with_one_id_are_told_apart_by_who_came_first(host: Host) -> None:
    hosted.add(host, "b")
    assert host.claimed(host.farms()) == {}
    copied = hosted.add(host, "a")  # sorts before its original
    text = (copied / "farm.toml").read_text().replace(hosted.farm_id("a"), hosted.farm_id("b"))
    (copied / "farm.toml").write_text(text)
    refused = host.claimed(host.farms())
    assert list(refused) == ["a"]
    assert "is already that of the farm in the folder b." in refused["a"]
    (host.root / "b").rename(host.root / "c")  # the owner's folder was renamed: the id is free
    assert len(host.claimed(host.farms())) == 1
    with suppress(FileNotFoundError):
        (host.root / "c" / "farm.toml").unlink()
    assert host.claimed(host.farms()) == {}


def test_a_link_is_no_hosted_farm(host: Host, tmp_path: Path) -> None:
    elsewhere = hosted.host_at(tmp_path / "elsewhere")
    (host.root / "linked").symlink_to(hosted.add(elsewhere, "x"))
    hosted.add(host, "own")
    assert [farm.name for farm in host.farms()] == ["own"]
