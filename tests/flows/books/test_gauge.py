"""The sheet gauge, from the field book to the tables, the week's page and explain."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from flows.derive import derive
from flows.farm.folder import FarmFolder
from flows.store import checksum, warehouse
from flows.trust.backup import rebuild
from flows.trust.explain.explain import explain
from tests.flows.fieldbooks import book, workbook
from tests.flows.loggers import FARM, ask, drop, make, take, usual
from transforms import order

HEADINGS = ["at", "day", "rain (in)", "hour", "days", "notes"]
# The station has the first two days of June and the last of the five.
HOURS = [*range(1, 24 * 2 + 1), *range(24 * 4 + 1, 24 * 5 + 1)]
READ = [
    ["North", "2020-06-01", 0.1, "", "", ""],
    ["North", "2020-06-04", 0.5, "7:00", "", "after the storm"],
    ["west", "2020-06-04", "T", "", "", ""],
]


@pytest.fixture(autouse=True, scope="module")
def few() -> Iterator[None]:
    """Make only the tables that follow from rain."""
    names = ("normal_month", "normal_day", "weather_used_day", "rain_day", "rain_month")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(order, "DERIVED", names)
        yield


@pytest.fixture
def folder(tmp_path: Path) -> FarmFolder:
    made = make(tmp_path / "farm", FARM)
    drop(made, "a.csv", [usual(hour) for hour in HOURS])
    return made


def save(folder: FarmFolder, *rows: list[object]) -> None:
    sheets = book() | {"gauge": [HEADINGS, *map(list, rows)]}
    folder.fieldbook_file.write_bytes(workbook(sheets))


def total(folder: FarmFolder) -> str:
    take(folder)
    with warehouse.open_writer(folder, "a test") as con:
        derive.derive(con)
        return checksum.total(con)


def rain(folder: FarmFolder) -> dict[int, tuple[object, object]]:
    found = ask(folder, "SELECT day(day), round(rain_mm, 2), rain_from FROM rain_day ORDER BY day")
    return {number: (mm, source) for number, mm, source in found}  # type: ignore[misc]


def test_a_reading_fills_the_gap_of_the_station_and_explain_tells_it(folder: FarmFolder) -> None:
    save(folder)
    before = total(folder)
    assert rain(folder)[3] == (None, None)
    save(folder, *READ)
    with_them = total(folder)
    found = rain(folder)
    assert found[1][1] == "west"
    assert found[3] == (12.7, "hand gauge")  # read on the 4th at 7 h
    assert found[4] == (0.0, "hand gauge")
    beside = "SELECT round(hand_mm, 2) FROM weather_used_day WHERE day = '2020-06-01'"
    assert ask(folder, beside) == [(2.54,)]
    assert ask(folder, "SELECT by_hand_d FROM rain_month WHERE year = 2020") == [(2,)]
    with warehouse.open_writer(folder, "a test") as con:
        text = explain(con, "rain_day", ["west", "2020-06-03"])
        assert "rain_from" in text
        assert "the rain was read by hand (no station recorded the day)" in text
        assert "  field North, 2020-06-04 at 7:00: 12.7 mm (after the storm)" in text
        assert "2020-06-01: 2.54 mm" not in text
        text = explain(con, "rain_day", ["west", "2020-06-01"])
        assert "  field North, 2020-06-01: 2.54 mm" in text
        assert "the field book: fieldbook.xlsx" in text
    assert rebuild.rebuild(folder) == with_them
    save(folder)
    assert total(folder) == before


def test_what_is_set_aside_gives_way_to_the_hand_gauge(folder: FarmFolder) -> None:
    sheets = book() | {
        "gauge": [HEADINGS, ["North", "2020-06-02", 1, "", "", ""]],
        "do not use": [
            ["instrument", "quantity", "from", "to", "why"],
            ["west", "rain", "2020-06-02", "2020-06-02", "nest in the gauge"],
        ],
    }
    folder.fieldbook_file.write_bytes(workbook(sheets))
    total(folder)
    assert rain(folder)[2] == (25.4, "hand gauge")
    ((reason,),) = ask(folder, "SELECT reason FROM rain_day WHERE day = '2020-06-02'")
    assert "the station's: not used: nest in the gauge" in str(reason)


@given(st.lists(st.sampled_from(["files", "book", "late", "again"]), max_size=3))
@settings(
    max_examples=4, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_late_or_twice_the_sheet_gives_the_same_tables(
    tmp_path_factory: pytest.TempPathFactory, order: list[str]
) -> None:
    """Files and book come in any order, some of both twice, and derive runs after each."""
    made = make(tmp_path_factory.mktemp("farm") / "farm", FARM)
    parts = {"files": HOURS[:48], "late": HOURS[48:]}
    for step in [*order, "late", "book", "files"]:
        if step in parts:
            drop(made, f"{step}.csv", [usual(hour) for hour in parts[step]])
        else:
            save(made, *(READ if step == "book" else READ[:1]))
        result = total(made)
    assert rain(made)[3] == (12.7, "hand gauge")
    quiet = make(tmp_path_factory.mktemp("farm") / "farm", FARM)
    for name, hours in parts.items():
        drop(quiet, f"{name}.csv", [usual(hour) for hour in hours])
    save(quiet, *READ)
    assert total(quiet) == result


@pytest.mark.parametrize(
    ("row", "cause", "expected"),
    [
        (["Nroth", "2020-06-02", 1, "", "", ""], "no field or station has this name", "North"),
        (["North", "", 1, "", "", ""], "the cell is empty", "day on which"),
        (["North", "2020-06-02", "", "", "", ""], "the cell is empty", "rain that was"),
        (["North", "2020-06-02", "wet", "", "", ""], "the cell is not a number", "a number"),
        (["North", "2020-06-02", -1, "", "", ""], "the value is beyond what can be", ""),
        (["North", "2020-06-02", 1, "25:00", "", ""], "the hour cannot be read", "an hour"),
        (["North", "2020-06-02", 1, "", 2.5, ""], "the days are no whole number", "such as 3"),
        (["North", "2020-06-02", 1, "", 0, ""], "the value is beyond what can be", ""),
        (["north", "2020-06-09", 1, "", "", ""], "the same row stands already in row 3", "each"),
    ],
)
def test_a_row_that_says_nothing_sure_is_a_fault_of_the_book(
    folder: FarmFolder, row: list[object], cause: str, expected: str
) -> None:
    good = ["North", "2020-06-09", 0.2, "", "", ""]
    twice = "same row" in cause
    save(folder, ["West", "2020-06-09", 0.2, "", "", ""], good, row)
    take(folder)
    faults = ask(folder, "SELECT line, cause, expected FROM book_problem")
    assert len(faults) == 1
    assert faults[0][:2] == (4, cause) if not twice else faults[0][1] == cause
    assert str(faults[0][2]).startswith(expected)
    kept = ask(folder, "SELECT kind, place FROM gauge ORDER BY ALL")
    assert kept == [("field", "North"), ("station", "west")]


def test_a_heading_without_a_unit_is_a_fault(folder: FarmFolder) -> None:
    sheets = book() | {"gauge": [["field", "date", "rain"], ["North", "2020-06-09", 5]]}
    folder.fieldbook_file.write_bytes(workbook(sheets))
    take(folder)
    ((cause, expected),) = ask(folder, "SELECT cause, expected FROM book_problem")
    assert cause == "the heading names no unit"
    assert "rain (mm or in)" in str(expected)
