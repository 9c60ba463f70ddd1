"""Kill -9 in the middle of a derive or a publish; then a quiet run gives what it always gives."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import time

import pytest

from flows.derive import derive
from flows.farm.folder import FarmFolder
from flows.store import checksum, publish, query, warehouse
from tests.flows import invented
from transforms import order

NAMES = (("weather_day", "soil_day"), ("soil_quality_day", "soil_water_day"))
WORK = f"""
import sys
from pathlib import Path
from flows import derive, publish, warehouse
from flows.folder import FarmFolder
from transforms import order
order.DAILY, order.DERIVED = {NAMES!r}
derive.CHUNK_ROWS = 20
folder = FarmFolder(Path(sys.argv[1]))
print("at work", flush=True)
with warehouse.open_writer(folder) as con:
    derive.derive(con)
publish.publish(folder)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is of POSIX")
def test_killed_at_any_moment_the_next_run_makes_it_whole(
    folder: FarmFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(order, "DAILY", NAMES[0])
    monkeypatch.setattr(order, "DERIVED", NAMES[1])
    with warehouse.open_writer(folder) as con:
        invented.put_setup(con, invented.setup())
        invented.put(con, invented.readings(8, step_h=6))
    rng = random.Random(20240501)
    killed = 0
    for _ in range(4):
        work = subprocess.Popen(
            [sys.executable, "-c", WORK, str(folder.root)], stdout=subprocess.PIPE, text=True
        )
        assert work.stdout is not None and work.stdout.readline() == "at work\n"
        time.sleep(rng.uniform(0.05, 2.0))
        work.send_signal(signal.SIGKILL)
        killed += work.wait() == -signal.SIGKILL
        with warehouse.open_writer(folder) as con:
            waiting = con.sql("SELECT count(*) FROM touched_day").fetchall()[0][0]
            days = con.sql("SELECT count(*) FROM weather_day").fetchall()[0][0]
            # All or nothing: daily rows and the list of what waits are of one transaction.
            assert (waiting, days) in {(32, 0), (0, 16)}
    assert killed > 0
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
