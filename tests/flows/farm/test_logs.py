"""The log file that a process and the runs it starts write to at the same time."""

import contextlib
import logging
import os
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from flows.base import lock
from flows.farm import logs
from flows.farm.folder import FarmFolder

WRITER = """
import logging, sys
from flows.farm import logs
from flows.farm.folder import FarmFolder
from pathlib import Path
logs._SIZE = 20_000
log = logs.to_file(FarmFolder(Path(sys.argv[1])))
for number in range(400):
    log.info("line %03d of %s %s", number, sys.argv[2], "-" * 60)
"""


def texts(folder: FarmFolder) -> list[str]:
    """The log files, the oldest first."""
    found = sorted(folder.logs.glob("checkstrip.log*"), key=lambda p: (len(p.name), p.name))
    return [path.read_text(encoding="utf-8") for path in reversed(found[1:])] + [
        found[0].read_text(encoding="utf-8")
    ]


def test_several_processes_lose_and_halve_no_line(tmp_path: Path) -> None:
    writers = [
        subprocess.Popen([sys.executable, "-c", WRITER, str(tmp_path), name]) for name in "abc"
    ]
    assert [process.wait(timeout=120) for process in writers] == [0, 0, 0]
    every = texts(FarmFolder(tmp_path))
    assert len(every) == 5
    assert all(len(text) < 20_200 for text in every)
    assert all(len(text) > 19_800 for text in every[:-1])  # none was begun for nothing
    lines = [line.split(" INFO ")[1].split() for text in every for line in text.splitlines()]
    for name in "abc":
        numbers = [int(number) for _, number, _, whose, _ in lines if whose == name]
        assert numbers == list(range(400 - len(numbers), 400))


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> FarmFolder:
    monkeypatch.setattr(logs, "_SIZE", 100)
    return FarmFolder(tmp_path)


def test_a_file_that_something_holds_is_written_on(
    folder: FarmFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    log = logging.getLogger("checkstrip")
    with logs.kept(folder):
        log.error("first %s", "-" * 100)
        with monkeypatch.context() as held:

            def in_use(self: Path, target: Path) -> None:
                raise PermissionError(13, "used by another process")

            held.setattr(Path, "replace", in_use)
            log.error("second")
        assert len(texts(folder)) == 1
        log.error("third")
    assert [text.count("\n") for text in texts(folder)] == [2, 1]


def test_no_file_stays_open_and_none_is_for_others(folder: FarmFolder) -> None:
    before = os.umask(0)
    try:
        with logs.kept(folder):
            logging.getLogger("checkstrip").error("one")
            mine = Path("/proc/self/fd")
            if mine.exists():
                opened = [entry.resolve() for entry in mine.iterdir()]
                assert not [path for path in opened if path.is_relative_to(folder.logs)]
    finally:
        os.umask(before)
    if sys.platform != "win32":
        assert all(path.stat().st_mode & 0o077 == 0 for path in folder.logs.iterdir())


def test_whoever_keeps_the_log_to_himself_stops_nothing(
    folder: FarmFolder, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(logs, "_WAIT_S", 0.05)
    with logs.kept(folder), lock.hold(folder.logs / "log.lock", "trying"):
        logging.getLogger("checkstrip").error("lost")
    assert capfd.readouterr().err == ""


def test_what_processes_say_goes_to_the_log_line_by_line(folder: FarmFolder) -> None:
    with logs.kept(folder), contextlib.redirect_stderr(logs.Said(logging.getLogger("checkstrip"))):
        for part in ("Trace", "back: a\n\n", "  b\nnot ended"):
            print(part, end="", file=sys.stderr)
    said = (folder.logs / "checkstrip.log").read_text().splitlines()
    assert [line.split(" WARNING ")[1] for line in said] == ["Traceback: a", "  b"]


def test_each_line_goes_to_the_farm_that_it_is_of(tmp_path: Path) -> None:
    """Two farms in one process, one after the other, inside each other and at the same time."""
    log = logging.getLogger("checkstrip.land")
    a, b = FarmFolder(tmp_path / "a"), FarmFolder(tmp_path / "b")
    together = threading.Barrier(2)

    def work(folder: FarmFolder) -> None:
        with logs.kept(folder):
            for number in range(20):
                together.wait(10)
                log.error("%s in its thread %d", folder.root.name, number)

    with logs.kept(a):
        log.error("a alone")
        with logs.kept(b):
            log.error("b inside")
        with logs.kept(a):
            log.error("a again")
    with ThreadPoolExecutor(2) as pool:
        list(pool.map(work, (a, b)))
    for folder in (a, b):
        lines = [line.split(" ERROR ")[1] for text in texts(folder) for line in text.splitlines()]
        assert all(line.startswith(folder.root.name) for line in lines), lines
        assert len(lines) == len(set(lines)) == (22 if folder is a else 21)


def test_a_process_that_serves_one_farm_keeps_its_log_free_of_another(tmp_path: Path) -> None:
    program = f"""
from pathlib import Path
from flows.farm import logs
from flows.farm.folder import FarmFolder
a, b = FarmFolder(Path({str(tmp_path / "a")!r})), FarmFolder(Path({str(tmp_path / "b")!r}))
log = logs.to_file(a)
log.info("of a")
with logs.kept(b):
    log.error("of b")
with logs.kept(a):
    log.info("of a again")
"""
    subprocess.run([sys.executable, "-c", program], check=True, timeout=60)
    said = {name: texts(FarmFolder(tmp_path / name))[0] for name in "ab"}
    assert [said[name].count("of b") for name in "ab"] == [0, 1]
    assert [said[name].count("of a") for name in "ab"] == [2, 0]
