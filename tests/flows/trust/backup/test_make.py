from __future__ import annotations

import shutil
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from flows.base import lock
from flows.base.errors import Attention, Busy, UserError
from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.run import steps
from flows.store import flow_runs, warehouse
from flows.store.backup_objects import Damaged
from flows.trust.backup import last_good, make, restore
from flows.trust.backup.backup_folder import Store
from tests.flows import loggers
from tests.flows.killing import killed
from tests.flows.loggers import drop, usual


def objects(to: Path) -> dict[str, float]:
    return {p.name: p.stat().st_mtime_ns for p in (to / "objects").glob("*/*")}


def more(folder: FarmFolder, number: int) -> None:
    drop(folder, f"more{number}.csv", [usual(h) for h in range(100 + number, 103 + number)])
    steps.collect(folder)


def test_a_plan_of_strips_and_maps_of_the_ground_are_kept(farm: FarmFolder) -> None:
    kept = farm.plans / "Home" / "strips.geojson"
    kept.parent.mkdir(parents=True)
    kept.write_text("{}")
    farm.ground.mkdir()
    (farm.ground / "clay.geojson").write_text("{}")
    paths = {e.path for e in make.backup(farm).whole.files}
    assert {"plans/Home/strips.geojson", "ground/clay.geojson"} <= paths


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
    # Where the archive itself no longer has them, that is said; what is there is stored.
    path.write_bytes(content[:-1] + b"X")
    (farm.root / entry.path).write_bytes(content[:-2] + b"YY")
    done = make.backup(farm)
    assert done.wants_attention
    assert f"{entry.path} is damaged in the backup" in str(done)
    assert any(e.path == entry.path and e != entry for e in done.whole.files)


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


def archived(farm: FarmFolder) -> list[Path]:
    """The archive's objects; each is a whole file here."""
    return sorted(farm.archive.glob("2*/*"))


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-5])


def change(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-1] + b"X")


@pytest.mark.parametrize("harm", [Path.unlink, cut, change])
def test_a_lost_or_damaged_file_is_told_and_nothing_older_goes(
    farm: FarmFolder, to: Path, tmp_path: Path, harm: Callable[[Path], None]
) -> None:
    lost = archived(farm)[0]
    harm(lost)
    made = [steps.backup(farm) for _ in range(4)]
    assert [run.state for run in made] == ["attention"] * 4
    assert "lacks data that cannot be measured again" in made[-1].summary
    assert lost.name in made[-1].summary or "damaged in the archive" in made[-1].summary
    backups = Store(to).backups()[0]
    assert len(backups) == 4  # two are kept otherwise
    # The rest is there, and a restore says what it lacks.
    paths = {entry.path for entry in backups[-1].files}
    assert {f"archive/{p.parent.name}/{p.name}" for p in archived(farm)} <= paths
    done = restore.restore(to, tmp_path / "back")
    assert "The archive lacked files" in done.wrong[0]
    # It is not due at every run, and not a good one.
    assert not last_good.is_due(farm, farm_file.load(farm.farm_toml), datetime.now(UTC))
    assert last_good.last_good(farm) is None


@pytest.mark.parametrize(("harm", "read_all"), [(Path.unlink, False), (cut, False), (change, True)])
def test_the_archive_is_repaired_from_a_backup_that_has_the_file(
    farm: FarmFolder, harm: Callable[[Path], None], *, read_all: bool
) -> None:
    make.backup(farm)
    lost = archived(farm)[0]
    content = lost.read_bytes()
    harm(lost)
    run = steps.backup(farm, read_all=read_all)
    assert run.state == "attention"
    assert "repaired from a backup" in run.summary
    assert lost.read_bytes() == content
    assert steps.backup(farm).state == "done"


def test_a_backup_keeps_its_good_copy_of_a_changed_file(farm: FarmFolder, to: Path) -> None:
    first = make.backup(farm).whole
    changed = archived(farm)[0]
    change(changed)
    later = [make.backup(farm) for _ in range(3)][-1].whole
    path = f"archive/{changed.parent.name}/{changed.name}"
    (good,) = (entry for entry in first.files if entry.path == path)
    assert good in later.files
    Store(to).check(good)


def test_lost_receipts_leave_the_data_in_the_backup(farm: FarmFolder) -> None:
    lost = min((farm.archive / "receipts").glob("*.jsonl"))
    lost.unlink()
    done = make.backup(farm)
    assert done.whole.lacks
    paths = {entry.path for entry in done.whole.files}
    assert {f"archive/{p.parent.name}/{p.name}" for p in archived(farm)} <= paths


def test_a_file_that_cannot_be_read_keeps_no_other_from_the_backup(farm: FarmFolder) -> None:
    unreadable = archived(farm)[0]
    unreadable.unlink()
    unreadable.mkdir()
    done = make.backup(farm)
    assert "cannot be read" in str(done)
    paths = {entry.path for entry in done.whole.files}
    assert {f"archive/{p.parent.name}/{p.name}" for p in archived(farm)[1:]} <= paths


@pytest.mark.parametrize("harm", [Path.unlink, cut, change])
def test_a_spoiled_backup_goes_when_a_later_one_has_all_its_files(
    farm: FarmFolder, to: Path, harm: Callable[[Path], None]
) -> None:
    first = make.backup(farm).whole
    stored = {entry.path: Store(to).path_of(entry.sha256) for entry in first.files}
    more(farm, 1)  # so that nobody has the bytes of the first warehouse any more
    harm(stored["warehouse/checkstrip.duckdb"])
    assert make.backup(farm).replaced == []
    assert first.name in {one.name for one in Store(to).backups()[0]}
    done = make.backup(farm, read_all=True)
    assert done.replaced == [first.name]
    assert f"deleted because this one has all their files: {first.name}" in str(done)
    left = Store(to).backups()[0]
    assert first.name not in {one.name for one in left}
    for entry in (entry for one in left for entry in one.files):
        Store(to).check(entry)


def test_a_spoiled_backup_stays_while_no_other_has_its_files(farm: FarmFolder, to: Path) -> None:
    farm.reports.mkdir(exist_ok=True)
    report = farm.reports / "only here.html"
    report.write_text("a report")
    first = make.backup(farm).whole
    (entry,) = (entry for entry in first.files if entry.path.endswith("only here.html"))
    report.unlink()
    Store(to).path_of(entry.sha256).unlink()
    assert make.backup(farm, read_all=True).replaced == []
    assert first.name in {one.name for one in Store(to).backups()[0]}
