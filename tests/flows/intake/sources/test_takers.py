"""What waits and why, in words."""

import os

import pytest

from flows.farm import farm_file
from flows.intake.sources import takers
from flows.trust import status
from tests.flows.loggers import FARM, drop, make, take, usual

TWO = FARM + '[[sources]]\nname = "late"\nlayout = "hourly"\nglob = "north*.csv"\n'
APART = FARM.replace('glob = "*.csv"', 'glob = "*.csv"\npath = "drop/west"')


@pytest.fixture
def settled():
    def settle(path):
        os.utime(path, (1, 1))
        return path

    return settle


def waiting(folder):
    return takers.waiting(folder, farm_file.load(folder.farm_toml))


def test_files_that_settle_are_counted_with_the_time_left(tmp_path):
    folder = make(tmp_path / "farm", FARM.replace("settle_s = 0", "settle_s = 3600"))
    for name in ("a.csv", "b.csv", "c.csv", "d.csv"):
        drop(folder, name, [usual(1)])
    (said,) = waiting(folder)
    assert said.startswith("4 files are settling, 3")
    assert said.endswith("s left: drop/a.csv, drop/b.csv, drop/c.csv and more.")
    assert not (folder.state / "seen.json").exists()


def test_a_file_of_no_source_is_named_with_the_nearest_one(tmp_path, settled):
    folder = make(tmp_path / "farm")
    settled(drop(folder, "misc/list.txt", ["x"]))
    assert waiting(folder) == ["No source takes misc/list.txt; nearest: hourly (*.csv)."]
    assert "No source takes misc/list.txt; nearest: hourly (*.csv)." in take(folder).notes
    assert waiting(folder) == []


def test_the_drop_folder_is_looked_into_though_every_source_has_its_own(tmp_path, settled):
    folder = make(tmp_path / "farm", APART)
    settled(drop(folder, "lost.csv", [usual(1)]))
    settled(drop(folder, "west/mine.csv", [usual(2)]))
    said = waiting(folder)
    assert said == [
        "1 file waits for the next run: mine.csv.",
        "No source takes lost.csv; nearest: hourly (*.csv in drop/west).",
    ]
    done = take(folder)
    assert (done.landed, done.refused) == (1, 1)


def test_without_any_source_it_names_the_command_that_makes_one(tmp_path, settled):
    folder = make(tmp_path / "farm", FARM[: FARM.index("[[sources]]")])
    settled(drop(folder, "a.csv", [usual(1)]))
    (said,) = waiting(folder)
    assert "farm.toml has no source yet: 'checkstrip add" in said


def test_a_source_that_another_stands_before_is_named(tmp_path, settled):
    folder = make(tmp_path / "farm", TWO)
    settled(drop(folder, "north.csv", [usual(1)]))
    (said,) = [note for note in take(folder).notes if "another source" in note]
    assert "The source late got nothing: another source took it first: hourly" in said
    assert "north.csv" in said
    assert any("another source" in note for note in status.status(folder).notes)


def test_of_many_files_the_first_few_are_named(tmp_path, settled):
    folder = make(tmp_path / "farm")
    for number in range(8):
        settled(drop(folder, f"{number}.txt", ["x"]))
    said = waiting(folder)
    assert len(said) == 6
    assert said[-1] == "So with 3 more files."
