"""The sheet do not use, from the field book to the tables and to explain."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from flows.derive import derive
from flows.farm.folder import FarmFolder
from flows.store import checksum, warehouse
from flows.trust.backup import rebuild
from flows.trust.explain.explain import explain
from tests.flows.fieldbooks import book, workbook
from tests.flows.loggers import FARM, ask, drop, make, take, usual

HEADINGS = ["instrument", "quantity", "depth (cm)", "from", "to", "why"]


@pytest.fixture
def folder(tmp_path: Path) -> FarmFolder:
    made = make(tmp_path / "farm", FARM)
    drop(made, "a.csv", [usual(hour) for hour in range(1, 24 * 5 + 1)])
    made_and_total(made)
    return made


def save(folder: FarmFolder, *rows: list[object]) -> None:
    sheets = book() | {"do not use": [HEADINGS, *map(list, rows)]}
    folder.fieldbook_file.write_bytes(workbook(sheets))


def made_and_total(folder: FarmFolder) -> str:
    take(folder)
    with warehouse.open_writer(folder, "a test") as con:
        derive.derive(con)
        return checksum.total(con)


def test_what_must_not_be_used_is_in_no_table_until_its_row_is_taken_away(
    folder: FarmFolder,
) -> None:
    save(folder)
    before = made_and_total(folder)
    readings = ask(folder, "FROM weather_reading ORDER BY ALL")
    save(
        folder,
        ["West", "rain", "", "2020-06-02", "2020-06-03", "nest in the gauge"],
        ["deep", "", 30, "2020-06-04", "", "cable cut"],
    )
    without = made_and_total(folder)
    assert ask(folder, "FROM weather_reading ORDER BY ALL") == readings
    rain = "SELECT day, rain_mm IS NULL, partial FROM weather_day ORDER BY day"
    assert [row[1] for row in ask(folder, rain)][:5] == [False, True, True, False, False]
    assert (
        ask(folder, "SELECT DISTINCT day FROM rain_spell WHERE day IN ('2020-06-02', '2020-06-03')")
        == []
    )
    soil = "SELECT depth_cm, day FROM soil_day WHERE vwc_mean_pct IS NULL ORDER BY ALL"
    assert ask(folder, soil) == [(30.0, date(2020, 6, 4)), (30.0, date(2020, 6, 5))]
    with warehouse.open_writer(folder, "a test") as con:
        text = explain(con, "rain_day", ["west", "2020-06-02"])
        assert "station west, rain: 2020-06-02 to 2020-06-03, because: nest in the gauge" in text
        assert "do not use" not in explain(con, "rain_day", ["west", "2020-06-01"])
        text = explain(con, "soil_day", ["deep", "30", "2020-06-05"])
        assert "probe deep, 30 cm: 2020-06-04 to now, because: cable cut" in text
        assert "cable cut" not in explain(con, "soil_day", ["deep", "10", "2020-06-05"])
    assert rebuild.rebuild(folder) == without
    save(folder)
    assert made_and_total(folder) == before


@pytest.mark.parametrize(
    ("row", "cause", "expected"),
    [
        (["wst", "rain", "", "2020-06-02", "", "x"], "farm.toml has no such station", "west"),
        (["west", "", 30, "2020-06-02", "", "x"], "farm.toml has no such probe", "one of: deep"),
        (["west", "rain", 30, "2020-06-02", "", "x"], "a station has no depths", "an empty cell"),
        (["west", "rian", "", "2020-06-02", "", "x"], "the word is not known", "rain"),
        (
            ["west", "rain", "", "2020-06-02", "2020-06-01", "x"],
            "it ends before it begins",
            "2020-",
        ),
        (["west", "rain", "", "2020-06-02", "", ""], "the cell is empty", "why it must not"),
    ],
)
def test_a_row_that_says_nothing_sure_is_a_fault_of_the_book(
    folder: FarmFolder, row: list[object], cause: str, expected: str
) -> None:
    save(folder, row, ["deep", "soil temp", "", "2020-06-09", "", "bare wire"])
    take(folder)
    ((line, said, wanted),) = ask(folder, "SELECT line, cause, expected FROM book_problem")
    assert (line, said) == (2, cause)
    assert str(wanted).startswith(expected)
    good = "SELECT kind, instrument, what, quantity FROM do_not_use"
    assert ask(folder, good) == [("probe", "deep", "soil temperature", "soil temperature")]
