from __future__ import annotations

import shutil
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from flows.base import lock
from flows.base.errors import Attention, Busy, UserError
from flows.farm.folder import FarmFolder
from flows.run import steps
from flows.store import flow_runs, warehouse
from flows.store.backup_objects import Damaged
from flows.trust.backup import last_good, make
from flows.trust.backup.backup_folder import Store
from tests.flows import loggers
from tests.flows.killing import killed
from tests.flows.loggers import drop, usual


def objects(to: Path) -> dict[str, float]:
    return {p.name: p.stat().st_mtime_ns for p in (to / "objects").glob("*/*")}


def more(folder: FarmFolder, number: int) -> None:
    drop(folder, f"more{number}.csv", [usual(h) for h in range(100 + number, 103 + number)])
    steps.collect(folder)


def test_the_second_backup_stores_only_what_is_new(farm: FarmFolder, to: Path) -> None:
    first = make.backup(farm)
    before = objects(to)
    assert first.new_bytes == first.whole.size
    expected = """
        farm.toml fieldbook/fields.csv digests/2020-W23.html warehouse/checkstrip.duckdb
        state/last_runs.json state/seen.json
    """
    assert {e.path for e in first.whole.files} >= set(expected.split())
    assert not any("lock" in e.path or "published" in e.path for e in first.whole.files)
    more(farm, 1)
    second = make.backup(farm)
    now = objects(to)
    assert {name: now[name] for name in before} == before
    paths = {e.path: e.sha256 for e in second.whole.files}
    added = {path for path, sha256 in paths.items() if sha256 not in before}
    assert sum(p.startswith("archive/") for p in added) == 2  # the file and its receipt
    assert second.new_bytes == sum(e.size for e in second.whole.files if e.path in added)


def test_old_ones_go_with_the_bytes_that_only_they_have(farm: FarmFolder, to: Path) -> None:
    names = []
    for number in range(4):
        farm.reports.mkdir(exist_ok=True)
        (farm.reports / "r.html").write_text(f"report {number}")
        names.append(make.backup(farm).whole.name)
    left, wrong = Store(to).backups()
    assert ([one.name for one in left], wrong) == (names[-2:], [])
    assert set(objects(to)) == {e.sha256 for one in left for e in one.files}
    assert not list(to.rglob("*.part"))


def test_nothing_is_deleted_while_a_list_cannot_be_read(farm: FarmFolder, to: Path) -> None:
    first = make.backup(farm).whole
    for number in range(3):
        more(farm, number)
        make.backup(farm)
    assert first.name not in {one.name for one in Store(to).backups()[0]}
    kept = Store(to).backups()[0][0]
    (to / f"{kept.name}.json").write_text("{")
    before = set(objects(to))
    make.backup(farm)
    assert before <= set(objects(to))


def test_what_does_not_come_back_the_same_does_not_count(
    farm: FarmFolder, to: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    good = make.backup(farm).whole
    fetch = Store.fetch

    def other(store: Store, entry: object, target: Path) -> None:
        fetch(store, entry, target)
        with warehouse.open_file(target) as con:
            con.execute("DELETE FROM kept.soil_reading WHERE depth_cm[1] = 10")

    monkeypatch.setattr(Store, "fetch", other)
    for _ in range(3):
        with pytest.raises(Attention, match="came back says"):
            make.backup(farm)
    assert [one.name for one in Store(to).backups()[0]] == [good.name]
    good_file = last_good.last_good(farm)
    assert good_file is not None and good_file["name"] == good.name


def test_bytes_that_rot_are_found_and_put_right(
    farm: FarmFolder, to: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = make.backup(farm).whole
    entry = next(e for e in whole.files if e.path.startswith("archive/2"))
    path = Store(to).path_of(entry.sha256)
    content = path.read_bytes()
    path.write_bytes(content[:-1] + b"X")
    monkeypatch.setattr(make, "SHARES", 1)
    assert make.backup(farm).mended == 1
    assert path.read_bytes() == content
    # Where the archive itself no longer has them, that is said and nothing counts.
    path.write_bytes(content[:-1] + b"X")
    (farm.root / entry.path).write_bytes(content[:-2] + b"YY")
    with pytest.raises(Attention, match="is damaged"):
        make.backup(farm)


def test_a_lost_share_is_told_and_stops_nothing(farm: FarmFolder, to: Path) -> None:
    make.backup(farm)
    away = to.parent.with_name("unplugged")
    to.parent.rename(away)
    last_good.note(farm, to, "old", datetime.now(UTC) - timedelta(days=3), "")
    more(farm, 1)
    done = steps.turn(farm)
    assert [run.flow for run in done] == ["collect", "derive", "publish", "backup"]
    assert done[-1].state == "attention"
    assert "earlier backups are not there" in done[-1].summary
    # An empty folder where the disk should be is not taken for the disk.
    to.mkdir(parents=True)
    assert "Is the disk connected" in steps.backup(farm).summary
    assert list(to.iterdir()) == []
    shutil.rmtree(to.parent)
    away.rename(to.parent)
    run = steps.turn(farm)[-1]
    assert (run.flow, run.state) == ("backup", "done")
    assert steps.turn(farm)[-1].flow == "publish"  # it is no longer due


def test_a_folder_never_reached_is_told(farm: FarmFolder, tmp_path: Path) -> None:
    with pytest.raises(Attention, match="nowhere cannot be reached"):
        make.backup(farm, to=tmp_path / "nowhere" / "deep")
    assert flow_runs.last(farm).get("backup") is None


def test_a_full_disk_is_told_before_and_in_the_middle(
    farm: FarmFolder, to: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    usage = shutil.disk_usage(farm.root)
    with monkeypatch.context() as little:
        little.setattr(shutil, "disk_usage", lambda _: usage._replace(free=1000))
        with pytest.raises(Attention, match="0 MB free"):
            make.backup(farm)
    put = Store.put

    def full(store: Store, source: Path, name: str) -> object:
        if name == "farm.toml":
            raise OSError(28, "No space left on device")
        return put(store, source, name)

    monkeypatch.setattr(Store, "put", full)
    with pytest.raises(Attention, match="No space left"):
        make.backup(farm)
    assert Store(to).backups() == ([], [])
    assert not (farm.state / "backup").exists()


def test_another_farms_folder_is_refused(farm: FarmFolder, to: Path, tmp_path: Path) -> None:
    make.backup(farm)
    other = loggers.make(tmp_path / "other")
    drop(other, "a.csv", [usual(h) for h in range(5)])
    steps.turn(other)
    with pytest.raises(UserError, match="another farm folder"):
        make.backup(other, to=to)


def test_two_at_once_are_one(farm: FarmFolder) -> None:
    with lock.hold(farm.state / "backup.lock", "making a backup"), pytest.raises(Busy):
        make.backup(farm)
    with lock.hold(farm.lock_file, "collecting"), pytest.raises(Busy, match="collecting"):
        make.backup(farm)


def back_up(root: Path) -> None:
    make.backup(FarmFolder(root))


@pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is of POSIX")
def test_killed_at_any_moment_no_half_backup_counts(farm: FarmFolder, to: Path) -> None:
    kills = 0
    for wait_s in (0.02, 0.1, 0.2, 0.3, 0.45):
        kills += killed(back_up, farm.root, wait_s)
        for one in Store(to).backups()[0]:
            for entry in one.files:
                Store(to).check(entry)
    assert kills > 0
    whole = make.backup(farm).whole
    for entry in whole.files:
        Store(to).check(entry)
    make.backup(farm)
    assert not list(to.rglob("*.part"))


def test_damage_is_told_by_the_files_own_name(farm: FarmFolder, to: Path) -> None:
    whole = make.backup(farm).whole
    entry = next(e for e in whole.files if e.path == "farm.toml")
    path = Store(to).path_of(entry.sha256)
    path.write_bytes(b"#" * entry.size)
    with pytest.raises(Damaged, match=r"farm\.toml is damaged"):
        Store(to).check(entry)
    path.unlink()
    with pytest.raises(Damaged, match=r"farm\.toml is missing"):
        Store(to).check(entry)
