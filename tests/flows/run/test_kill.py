"""Kill -9 in the middle of a derive or a publish; then a quiet run gives what it always gives."""

from __future__ import annotations

import random
import sys
from pathlib import Path

import pytest

from flows.derive import derive, reduced
from flows.farm.folder import FarmFolder
from flows.store import checksum, publish, query, warehouse
from tests.flows import invented
from tests.flows.killing import killed
from transforms import order

DAILY, DERIVED = ("weather_day", "soil_day"), ("soil_quality_day", "soil_water_day")


def derive_and_publish(root: Path) -> None:
    order.DAILY, order.DERIVED = DAILY, DERIVED
    reduced.CHUNK_ROWS = 20
    folder = FarmFolder(root)
    with warehouse.open_writer(folder) as con:
        derive.derive(con)
    publish.publish(folder)


@pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is of POSIX")
def test_killed_at_any_moment_the_next_run_makes_it_whole(
    folder: FarmFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(order, "DAILY", DAILY)
    monkeypatch.setattr(order, "DERIVED", DERIVED)
    with warehouse.open_writer(folder) as con:
        invented.put_setup(con, invented.setup())
        invented.put(con, invented.readings(8, step_h=6))
    rng = random.Random(20240501)
    kills = 0
    for _ in range(4):
        kills += killed(derive_and_publish, folder.root, rng.uniform(0.05, 2.0))
        with warehouse.open_writer(folder) as con:
            waiting = con.sql("SELECT count(*) FROM touched_day").fetchall()[0][0]
            days = con.sql("SELECT count(*) FROM weather_day").fetchall()[0][0]
            # All or nothing: daily rows and the list of what waits are of one transaction.
            assert (waiting, days) in {(32, 0), (0, 16)}
    assert kills > 0
    with warehouse.open_writer(folder) as con:
        derive.derive(con)
        after = checksum.total(con)
    publish.publish(folder)
    assert [path.name for path in folder.published.iterdir()] == [folder.published_file.name]
    with query.open_published(folder) as con:
        assert con.sql("SELECT count(*) FROM weather_day").fetchall() == [(16,)]
    quiet = FarmFolder(folder.root.with_name("quiet"))
    quiet.make()
    with warehouse.open_writer(quiet) as con:
        invented.put_setup(con, invented.setup())
        invented.put(con, invented.readings(8, step_h=6))
        derive.derive(con)
        assert checksum.total(con) == after
