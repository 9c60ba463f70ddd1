"""A farm and its backup as the program left them before its modules moved to rooms.

``data/before_rooms.tar.xz`` was written by that program: two days of one station and one probe, a
field book of one field, one verified backup.
"""

from __future__ import annotations

from pathlib import Path

from flows.farm.folder import FarmFolder
from flows.run import steps
from flows.store import checksum, query, warehouse
from flows.trust.backup import make, rebuild, restore
from tests.flows.loggers import ask, drop, usual

CHECKSUM = "af4f20b280d12275"
READINGS = "SELECT (SELECT count(*) FROM weather_reading), (SELECT count(*) FROM soil_reading)"


def total(folder: FarmFolder) -> str:
    with warehouse.open_writer(folder) as con:
        return checksum.total(con)


def test_the_warehouse_opens_and_goes_on(before: Path) -> None:
    farm = FarmFolder.at(before / "farm")
    with query.open_published(farm) as con:
        assert con.sql(READINGS).fetchall() == [(72, 144)]
    assert total(farm) == CHECKSUM
    steps.turn(farm)
    assert total(farm) == CHECKSUM
    drop(farm, "c.csv", [usual(h) for h in range(72, 96)])
    steps.turn(farm)
    assert ask(farm, READINGS) == [(96, 192)]
    assert rebuild.rebuild(farm) == total(farm)


def test_the_backup_is_compared_and_restored(before: Path, tmp_path: Path) -> None:
    done = restore.restore(before / "share", tmp_path / "restored")
    assert done.wrong == []
    assert "says what it said then" in done.sentences[-1]
    assert total(done.folder) == CHECKSUM
    assert rebuild.rebuild(done.folder) == CHECKSUM


def test_a_new_backup_goes_beside_the_old_one(before: Path) -> None:
    farm = FarmFolder.at(before / "farm")
    made = make.backup(farm)
    assert made.whole.checksum == CHECKSUM
    assert len(list((before / "share").glob("*.json"))) == 2
