"""The order of receipt of files that are collected together."""

import gzip
import os
from pathlib import Path

import pytest

from flows.farm.folder import FarmFolder
from tests.flows.loggers import HEADING, ask, drop, make, row, take

TEMPERATURES = "SELECT round(air_temp_c * 9 / 5 + 32) FROM weather_reading ORDER BY time"


@pytest.fixture
def folder(tmp_path: Path) -> FarmFolder:
    return make(tmp_path / "farm")


def put(folder: FarmFolder, name: str, temperature: int, hours: range, changed: float) -> Path:
    lines = [row(h, temperature, 0, 0.3, 0.3) for h in hours]
    path = drop(folder, name, lines)
    os.utime(path, (changed, changed))
    return path


def test_the_file_that_ends_later_counts_though_it_was_changed_before(folder: FarmFolder) -> None:
    put(folder, "a.csv", 70, range(3), 1e9)
    put(folder, "b.csv", 50, range(2), 1.1e9)
    take(folder)
    assert ask(folder, TEMPERATURES) == [(70.0,), (70.0,), (70.0,)]


def test_of_files_that_end_together_the_one_changed_later_counts_then_the_name(
    folder: FarmFolder,
) -> None:
    put(folder, "a.csv", 70, range(2), 1.1e9)
    put(folder, "b.csv", 50, range(2), 1e9)
    put(folder, "c.csv", 60, range(2), 1e9)
    take(folder)
    assert ask(folder, TEMPERATURES) == [(70.0,), (70.0,)]
    assert ask(folder, "SELECT name FROM delivery ORDER BY sequence") == [
        ("b.csv",),
        ("c.csv",),
        ("a.csv",),
    ]


def test_the_end_of_a_long_and_of_a_packed_file_is_found(folder: FarmFolder) -> None:
    put(folder, "long.csv", 70, range(3000), 1e9)  # its end is not among its first bytes
    short = put(folder, "short.csv", 50, range(2999), 1.1e9)
    text = short.read_bytes()
    short.unlink()
    packed = folder.drop / "packed.csv"
    packed.write_bytes(gzip.compress(text))
    os.utime(packed, (1.1e9, 1.1e9))
    take(folder)
    assert ask(folder, f"SELECT DISTINCT * FROM ({TEMPERATURES})") == [(70.0,)]


def test_a_file_that_cannot_be_read_hinders_no_other(folder: FarmFolder) -> None:
    put(folder, "a.csv", 70, range(3), 1e9)
    put(folder, "b.csv", 50, range(2), 1.1e9)
    (folder.drop / "c.csv").write_bytes(b"\x1f\x8b not gzip")
    (folder.drop / "d.csv").write_bytes(b"")
    (folder.drop / "e.csv").write_text(f"{HEADING}\nnoon,1,2,3,4\n2999-01-01 00:00,1,2,3,4\n")
    take(folder)
    assert ask(folder, TEMPERATURES) == [(70.0,), (70.0,), (70.0,)]


def test_a_path_that_holds_again_what_it_held_ends_as_it_is(folder: FarmFolder) -> None:
    for changed, temperature in enumerate((70, 50, 70)):
        put(folder, "a.csv", temperature, range(2), 1e9 + changed)
        take(folder)
    assert ask(folder, TEMPERATURES) == [(70.0,), (70.0,)]
    assert ask(folder, "SELECT count(*), count(DISTINCT delivery) FROM delivery") == [(3, 3)]
    put(folder, "old.csv", 50, range(2), 2e9)
    assert take(folder).deliveries == 0
    assert ask(folder, TEMPERATURES) == [(70.0,), (70.0,)]
