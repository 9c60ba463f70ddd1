from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl
import pytest

from flows.farm.folder import FarmFolder
from flows.run import steps
from flows.store import flow_runs, publish, warehouse
from flows.trust import growth, status
from flows.trust.backup import last_good
from schemas.catalogue import TABLES
from tests.flows import invented, loggers
from tests.flows.loggers import drop, usual

NOW = datetime.now(UTC)


@pytest.fixture
def farm(tmp_path: Path) -> FarmFolder:
    folder = loggers.make(tmp_path / "farm", loggers.ENDED + "\n[backup]\nto = 'backups'\n")
    drop(folder, "a.csv", [usual(h) for h in range(5)])
    steps.collect(folder)
    steps.publish(folder)
    return folder


def test_what_the_books_lost_is_counted_and_told(folder: FarmFolder) -> None:
    def problem(line: int, lost: str) -> dict[str, object]:
        place = {"book": "fieldbook", "sheet": "passes", "line": line, "column_name": ""}
        return {**place, "cause": "not a number", "lost": lost, "sentence": "A fault."}

    rows = invented.frame(
        "book_problem", [problem(2, "row"), problem(3, "row"), problem(4, "none")]
    )
    with warehouse.open_writer(folder) as con:
        warehouse.replace(con, TABLES["book_problem"], rows)
    publish.publish(folder)
    found = status.status(folder)
    assert [(row["lost"], row["count"]) for row in found.books] == [("none", 1), ("row", 2)]
    assert found.attention == [
        "2 entries of the field book were rejected, no yield landed. The table book_problem lists each one."
    ]
    told = "\n".join(status.lines(found))
    assert "2 faults in the field book: lost the row" in told
    assert "1 fault in the field book: nothing lost" in told
    with warehouse.open_writer(folder) as con:
        warehouse.replace(con, TABLES["book_problem"], rows.filter(pl.col("lost") == "none"))
    publish.publish(folder, accept_loss=True)
    assert status.status(folder).attention == []


def test_values_that_are_no_longer_in_their_file_are_counted(farm: FarmFolder) -> None:
    assert status.status(farm).kept == []
    shorter = [usual(h) for h in range(4)]
    again = shorter[1].replace(",50,", ",60,").replace(",51,", ",61,")
    drop(
        farm,
        "a.csv",
        [shorter[0], shorter[3], *[usual(h) for h in range(4, 200)], again, shorter[1]],
    )
    steps.collect(farm)
    steps.publish(farm)
    found = status.status(farm)
    assert found.kept == [
        {"what": "contradicted by another line of their file", "values": 1},
        {"what": "no longer in their file, kept", "values": 4},
    ]
    shown = "\n".join(status.lines(found))
    assert "4 values: no longer in their file, kept" in shown


def test_what_derive_left_out_is_told_once(folder: FarmFolder) -> None:
    failed = {"column_name": "", "row_key": "", "lost": "table"}
    left_out = {"column_name": "rain_mm", "lost": "value", "reason": "below 0"}
    rows = [
        failed | {"table_name": "rain_day", "reason": "division by zero"},
        failed | {"table_name": "rain_month", "reason": "it is made from rain_day"},
        left_out | {"table_name": "weather_day", "row_key": "a"},
        left_out | {"table_name": "weather_day", "row_key": "b"},
    ]
    with flow_runs.recorded(folder, "derive") as run, warehouse.open_writer(folder) as con:
        warehouse.replace(con, TABLES["derive_problem"], invented.frame("derive_problem", rows))
        run.state = "attention"
    publish.publish(folder)
    assert status.status(folder).attention == [
        "The table rain_day could not be made: division by zero. It keeps the rows of the last good "
        "run, if there was one. The readings are safe; state/logs/checkstrip.log has the details.",
        "Made from such a table, and left as they were: rain_month.",
        "2 values of weather_day.rain_mm left out (below 0). "
        "The table derive_problem lists each one.",
    ]


def test_backups_that_are_old_or_missing_are_told(farm: FarmFolder) -> None:
    assert "No backup was made yet" in status.status(farm, NOW).attention[0]
    made_at = NOW - timedelta(hours=1)
    last_good.note(farm, farm.backups, "the name", made_at, "fine")
    found = status.status(farm, NOW)
    assert found.attention == []
    assert found.backup is not None and found.backup["name"] == "the name"
    by_the_farm = made_at.astimezone(ZoneInfo(found.time_zone))
    assert f"Last good backup: {by_the_farm:%Y-%m-%d %H:%M}, the name" in "\n".join(
        status.lines(found)
    )
    last_good.note(farm, farm.backups, "the name", NOW - timedelta(days=2.5), "fine")
    assert "2.5 days old" in status.status(farm, NOW).attention[0]


def test_a_pipeline_that_stopped_is_told(farm: FarmFolder) -> None:
    last_good.note(farm, farm.backups, "the name", NOW + timedelta(days=30), "fine")
    assert status.status(farm, NOW + timedelta(hours=20)).attention == []
    told = status.status(farm, NOW + timedelta(hours=30)).attention
    assert len(told) == 1
    assert "Is 'checkstrip run' running?" in told[0]
    assert flow_runs.last(farm)["collect"].state == "done"


def test_a_rare_schedule_may_be_quiet_for_long(farm: FarmFolder) -> None:
    due = NOW + timedelta(days=100)
    text = f"{farm.farm_toml.read_text()}\n[schedules]\ncollect = '0 0 {due.day} {due.month} *'\n"
    farm.farm_toml.write_text(text)
    last_good.note(farm, farm.backups, "the name", NOW + timedelta(days=300), "fine")
    assert status.status(farm, NOW + timedelta(days=90)).attention == []
    assert "Nothing was collected" in status.status(farm, NOW + timedelta(days=110)).attention[0]


def test_an_archived_file_that_is_gone_is_told(farm: FarmFolder) -> None:
    last_good.note(farm, farm.backups, "the name", NOW, "fine")
    assert status.status(farm, NOW).attention == []
    lost = next(farm.archive.glob("2*/*"))
    lost.unlink()
    (told,) = status.status(farm, NOW).attention
    assert lost.name in told
    assert f"checkstrip backup {farm.root}" in told


def test_no_backup_and_growth_are_remarks_and_a_disk_soon_full_a_concern(
    farm: FarmFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    last_good.note(farm, farm.backups, "the name", NOW, "fine")
    assert not any("No backup is set up" in line for line in status.lines(status.status(farm, NOW)))
    farm.farm_toml.write_text(loggers.ENDED)
    found = status.status(farm, NOW)
    assert found.attention == []
    shown = status.lines(found)
    assert sum("No backup is set up" in line for line in shown) == 1
    assert sum("of the disk are free" in line for line in shown) == 1
    monkeypatch.setattr(growth, "of", lambda *_: growth.Growth(2 << 30, 1 << 30, 100e6))
    found = status.status(farm, NOW)
    assert "the disk is full in" in found.attention[0]
    assert growth.ADVICE in found.attention[0]
