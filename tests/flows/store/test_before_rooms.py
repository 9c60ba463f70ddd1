"""A farm and its backup as the program left them before its modules moved to rooms.

``data/before_rooms.tar.xz`` was written by that program: two days of one station and one probe, a
field book of one field, one verified backup. Derived tables may come out otherwise since; what was
measured and what the field book says must be the same.
"""

from pathlib import Path

from flows.farm.folder import FarmFolder
from flows.run import steps
from flows.store import checksum, query, warehouse
from flows.trust.backup import make, rebuild, restore
from tests.flows.loggers import ask, drop, usual

READINGS = "SELECT (SELECT count(*) FROM weather_reading), (SELECT count(*) FROM soil_reading)"
MEASURED = (
    "SELECT station, time, air_temp_c, rain_mm FROM weather_reading ORDER BY ALL",
    "SELECT probe, depth_cm, time, vwc_pct FROM soil_reading ORDER BY ALL",
    "SELECT delivery, sequence, state, rows_landed FROM delivery ORDER BY ALL",
    "SELECT field, practice FROM field ORDER BY ALL",
)
STEPS = (steps.collect, steps.derive, steps.publish)


def measured(folder: FarmFolder) -> list[list[tuple[object, ...]]]:
    return [ask(folder, sql) for sql in MEASURED]


def total(folder: FarmFolder) -> str:
    with warehouse.open_writer(folder) as con:
        return checksum.total(con)


def test_the_warehouse_opens_and_goes_on(before: Path) -> None:
    farm = FarmFolder.at(before / "farm")
    with query.open_published(farm) as con:
        assert con.sql(READINGS).fetchall() == [(72, 144)]
        was = [con.sql(sql).fetchall() for sql in MEASURED]
    assert measured(farm) == was
    steps.turn(farm, steps=STEPS)
    assert measured(farm) == was
    drop(farm, "c.csv", [usual(h) for h in range(72, 96)])
    steps.turn(farm, steps=STEPS)
    assert ask(farm, READINGS) == [(96, 192)]
    assert rebuild.rebuild(farm) == total(farm)


def test_the_backup_is_compared_and_restored(before: Path, tmp_path: Path) -> None:
    was = measured(FarmFolder.at(before / "farm"))
    done = restore.restore(before / "share", tmp_path / "restored")
    assert done.wrong == []
    assert measured(done.folder) == was
    rebuild.rebuild(done.folder)
    assert measured(done.folder) == was


def test_a_new_backup_goes_beside_the_old_one(before: Path) -> None:
    farm = FarmFolder.at(before / "farm")
    steps.turn(farm, steps=STEPS)
    made = make.backup(farm)
    assert made.whole.checksum == total(farm)
    assert len(list((before / "share").glob("*Z*.json"))) == 2
