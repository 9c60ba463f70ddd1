"""``checkstrip checksum`` answers from the published copy, whoever writes, and says if it is old."""

from __future__ import annotations

import pytest

from flows.base import lock
from flows.farm.folder import FarmFolder
from flows.run import steps
from flows.store import checksum, query, warehouse
from tests.flows.cli.calling import call
from tests.flows.loggers import drop, usual


def test_checksum_reads_the_published_copy_while_another_writes(
    farm: FarmFolder, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    with query.open_published(farm) as con:
        expected = checksum.total(con)
    with lock.hold(farm.lock_file, "collecting"):
        code, out, err = call(capsys, monkeypatch, "checksum", farm.root)
    assert code == 0, err
    assert out.splitlines()[0].startswith("Published 20")
    assert out.splitlines()[-1].split()[0] == expected


def test_checksum_exits_with_1_while_newer_data_wait(
    farm: FarmFolder, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    before = call(capsys, monkeypatch, "checksum", farm.root)[1].splitlines()[-1]
    drop(farm, "later.csv", [usual(h) for h in range(60, 70)])
    steps.collect(farm)
    with lock.hold(farm.lock_file, "deriving"):  # the archive shows it, whoever writes
        code, out, _ = call(capsys, monkeypatch, "checksum", farm.root)
    assert code == 1
    assert "Newer files are in the archive and not published: 1." in out
    assert out.splitlines()[-1] == before
    steps.turn(farm, steps=(steps.derive, steps.publish))
    code, out, _ = call(capsys, monkeypatch, "checksum", farm.root)
    assert code == 0
    assert out.splitlines()[-1] != before
    with warehouse.open_writer(farm) as con:
        warehouse.changed(con)
    code, out, _ = call(capsys, monkeypatch, "checksum", farm.root)
    assert code == 1
    assert f"not published.\nRun: checkstrip once {farm.root}" in out


def test_checksum_of_a_copy_with_other_tables_asks_for_a_run(
    farm: FarmFolder, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    farm.published_file.chmod(0o644)
    with warehouse.open_file(farm.published_file) as con:
        con.execute("DROP TABLE rain_month")
    code, _, err = call(capsys, monkeypatch, "checksum", farm.root)
    assert code == 2
    assert "checkstrip once" in err
