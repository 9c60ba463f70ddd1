"""Files on this system, and as other systems take them (their platform is made believe)."""

import os
import stat
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path, PureWindowsPath
from typing import IO

import pytest

from flows.base import files

posix = pytest.mark.skipif(sys.platform == "win32", reason="Windows has rights by folder")


@pytest.fixture
def windows(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let this module believe that it is on Windows."""
    monkeypatch.setattr(files.sys, "platform", "win32")
    monkeypatch.setattr(files, "PAUSES_S", (0.0,) * 6)


def held(monkeypatch: pytest.MonkeyPatch, times: int) -> list[Path]:
    """Let another program hold each file for so many tries; returns the tries."""
    tries: list[Path] = []
    real = Path.replace

    def replace(self: Path, target: Path) -> Path:
        tries.append(target)
        if len(tries) <= times:
            raise PermissionError(13, "used by another process", str(target))
        return real(self, target)

    monkeypatch.setattr(Path, "replace", replace)
    return tries


@pytest.mark.usefixtures("windows")
def test_a_file_that_a_scanner_holds_for_a_moment_is_replaced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "state.json"
    files.write_text(path, "old")
    tries = held(monkeypatch, 5)
    files.write_text(path, "new")
    assert path.read_text(encoding="utf-8") == "new"
    assert tries == [path] * 6


@pytest.mark.usefixtures("windows")
def test_one_that_is_held_for_good_stays_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "state.json"
    files.write_text(path, "old")
    held(monkeypatch, 1000)
    with pytest.raises(PermissionError):
        files.write_text(path, "new")
    assert path.read_text(encoding="utf-8") == "old"
    assert list(tmp_path.iterdir()) == [path]


@posix
def test_elsewhere_a_refusal_is_final(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tries = held(monkeypatch, 1000)
    with pytest.raises(PermissionError):
        files.write_text(tmp_path / "state.json", "new")
    assert len(tries) == 1


@posix
@pytest.mark.parametrize("knows", [True, False])
def test_on_a_mac_the_disk_itself_is_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, knows: bool
) -> None:
    """F_FULLFSYNC of fcntl(2) there; a network drive that does not know it gets an fsync."""
    calls: list[object] = []
    fsync = os.fsync

    def fcntl(handle: int, what: int) -> int:
        calls.append(what)
        if not knows:
            raise OSError(45, "Operation not supported")
        return 0

    monkeypatch.setattr(files.sys, "platform", "darwin")
    monkeypatch.setattr(files.fcntl, "F_FULLFSYNC", 51, raising=False)
    monkeypatch.setattr(files.fcntl, "fcntl", fcntl)
    monkeypatch.setattr(os, "fsync", lambda handle: (calls.append("fsync"), fsync(handle)))
    files.write_text(tmp_path / "state.json", "new")
    with (tmp_path / "state.json").open("ab") as out:
        files.sync(out)
    # the file, the name in its folder, the file again
    assert calls == ([51] if knows else [51, "fsync"]) * 3


@pytest.mark.usefixtures("windows")
@pytest.mark.parametrize(
    ("path", "deep"),
    [
        (r"C:\farm\drop", r"\\?\C:\farm\drop"),
        (r"C:\farm\../loggers/west", r"\\?\C:\loggers\west"),
        (r"\\office\farms\home\drop", r"\\?\UNC\office\farms\home\drop"),
        (r"\\?\C:\farm\..\loggers", r"\\?\C:\loggers"),
        (r"\\?\UNC\office\farms\home", r"\\?\UNC\office\farms\home"),
    ],
)
def test_windows_follows_a_deep_path(path: str, deep: str) -> None:
    assert str(files.deep(Path(path))) == deep
    assert PureWindowsPath(deep).is_absolute()


@pytest.mark.usefixtures("windows")
def test_a_path_with_room_below_stays_as_it_is() -> None:
    short, long = Path(r"C:\farm"), Path("C:\\" + "farm" * 40)
    assert files.deep(short, 140) == short
    assert str(files.deep(long, 140)).startswith(files.DEEP)


@posix
def test_elsewhere_every_path_is_deep_enough(tmp_path: Path) -> None:
    assert files.deep(tmp_path) == tmp_path


@posix
@pytest.mark.parametrize(("folder", "file"), [(0o700, 0o600), (0o755, 0o644), (0o777, 0o644)])
def test_a_file_is_read_by_those_who_may_read_its_folder(
    tmp_path: Path, folder: int, file: int
) -> None:
    tmp_path.chmod(folder)
    before = os.umask(0)
    try:
        files.write_text(tmp_path / "state.json", "new")
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "state.json").stat().st_mode) == file


def test_two_computers_with_the_same_process_number_do_not_write_into_each_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Containers on a shared disk: each process may be number 7, and each begins before the other ends."""
    monkeypatch.setattr(files.os, "getpid", lambda: 7)
    both, real = threading.Barrier(2), files.sync

    def sync(out: IO[bytes]) -> None:
        real(out)
        both.wait(10)

    monkeypatch.setattr(files, "sync", sync)
    contents = [letter * 100_000 for letter in (b"a", b"b")]
    path = tmp_path / "x.json"
    with ThreadPoolExecutor(2) as pool:
        list(pool.map(lambda content: files.write_bytes(path, content), contents))
    assert path.read_bytes() in contents
    assert [one.name for one in tmp_path.iterdir()] == ["x.json"]
