"""The sheet lifts, from the field book to the readings."""

from __future__ import annotations

from pathlib import Path

import pytest

from flows.farm.folder import FarmFolder
from flows.run import steps
from flows.store import checksum, warehouse
from flows.trust.backup import rebuild
from tests.flows.fieldbooks import book, workbook
from tests.flows.loggers import FARM, ask, drop, make, take, usual

LIFTS = ["probe", "out", "in"]


@pytest.fixture
def folder(tmp_path: Path) -> FarmFolder:
    made = make(tmp_path / "farm", FARM)
    drop(made, "a.csv", [usual(hour) for hour in range(24 * 10)])
    take(made)
    return made


def days(folder: FarmFolder) -> list[int]:
    """Days of June 2020 with soil readings."""
    rows = ask(
        folder,
        "SELECT DISTINCT CAST((time AT TIME ZONE 'UTC') - INTERVAL 6 HOUR - INTERVAL 1 SECOND AS DATE)"
        " AS day FROM soil_reading ORDER BY day",
    )
    return [row[0].day for row in rows if row[0].month == 6]


def save(folder: FarmFolder, *rows: list[object]) -> None:
    folder.fieldbook_file.write_bytes(workbook(book() | {"lifts": [LIFTS, *map(list, rows)]}))


def test_a_lift_takes_its_days_out_and_back_in_when_the_row_goes(folder: FarmFolder) -> None:
    assert days(folder) == [*range(1, 11)]
    save(folder, ["deep", "2020-06-04", "2020-06-06"])
    done = take(folder)
    assert days(folder) == [1, 2, 3, 7, 8, 9, 10]
    assert "1 file read again" in " ".join(done.notes)
    assert ask(folder, "SELECT DISTINCT cause FROM quarantine WHERE source = 'hourly'") != []
    assert ask(folder, "SELECT count(*) FROM weather_reading") == [(240,)]  # the station stays
    steps.derive(folder)
    with warehouse.open_writer(folder, "a test") as con:
        before = checksum.total(con)
    assert rebuild.rebuild(folder) == before
    save(folder)
    take(folder)
    assert days(folder) == [*range(1, 11)]


@pytest.mark.parametrize(
    ("row", "cause", "expected"),
    [
        (["deepp", "2020-06-04", "2020-06-06"], "farm.toml has no such probe", "deep"),
        (
            ["deep", "2020-06-06", "2020-06-04"],
            "it was set back before it was lifted",
            "2020-06-06 ",
        ),
        (
            ["deep", "2020-06-15", "2020-07-03"],
            "the lift contradicts the spells in farm.toml",
            "days within 2020-01-01 to 2020-06-20; 2020-07-01 to now",
        ),
        (["all", "2019-06-15", ""], "the lift contradicts the spells in farm.toml", "days within"),
    ],
)
def test_a_lift_that_cannot_be_is_a_fault_of_the_book(
    folder: FarmFolder, row: list[object], cause: str, expected: str
) -> None:
    save(folder, row, ["All", "2020-06-09", "2020-06-09"])
    take(folder)
    ((line, said, wanted),) = ask(folder, "SELECT line, cause, expected FROM book_problem")
    assert (line, said) == (2, cause)
    assert wanted.startswith(expected)
    assert days(folder) == [1, 2, 3, 4, 5, 6, 7, 8, 10]  # the good row beside it counts


def test_a_book_is_read_again_if_farm_toml_gets_the_probe_that_it_names(folder: FarmFolder) -> None:
    save(folder, ["new", "2020-06-04", "2020-06-06"])
    take(folder)
    assert ask(folder, "SELECT count(*) FROM book_problem") == [(1,)]
    folder.farm_toml.write_text(
        folder.farm_toml.read_text(encoding="utf-8").replace(
            'name = "deep"', 'name = "deep"\nids = ["new"]'
        ),
        encoding="utf-8",
    )
    take(folder)
    assert ask(folder, "SELECT count(*) FROM book_problem") == [(0,)]
    assert ask(folder, "SELECT probe FROM lift") == [("deep",)]
    assert days(folder) == [1, 2, 3, 7, 8, 9, 10]
