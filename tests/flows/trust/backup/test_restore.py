from __future__ import annotations

import json
from pathlib import Path

import pytest

from flows.base.errors import Attention, UserError
from flows.farm.folder import FarmFolder
from flows.run import steps
from flows.store import checksum, warehouse
from flows.trust.backup import make, manifest, rebuild, restore
from flows.trust.backup.backup_folder import Store
from flows.trust.backup.manifest import WAREHOUSE, Manifest
from tests.flows.loggers import drop, usual


def says(folder: FarmFolder) -> str:
    with warehouse.open_writer(folder) as con:
        return checksum.total(con)


def spoil(to: Path, whole: Manifest, path: str) -> None:
    (entry,) = (e for e in whole.files if e.path == path)
    target = Store(to).path_of(entry.sha256)
    target.write_bytes(target.read_bytes()[:-1] + b"\xff\x00")


def content(folder: Path) -> dict[str, bytes]:
    return {
        p.relative_to(folder).as_posix(): p.read_bytes()
        for p in folder.rglob("*")
        if p.is_file() and p.relative_to(folder).parts[0] in ("archive", "fieldbook", "digests")
    }


def test_what_is_restored_is_what_was_and_goes_on(
    farm: FarmFolder, to: Path, tmp_path: Path
) -> None:
    make.backup(farm)
    done = restore.restore(to, tmp_path / "new place")
    assert done.wrong == []
    assert "says what it said then" in done.sentences[-1]
    assert content(done.folder.root) == content(farm.root)
    assert says(done.folder) == says(farm)
    # The archive alone is enough, and the next turn goes on where the lost one stood.
    assert rebuild.rebuild(done.folder) == says(farm)
    for folder in (farm, done.folder):
        drop(folder, "later.csv", [usual(h) for h in range(60, 70)])
        steps.turn(folder)
    assert says(done.folder) == says(farm)


def test_an_earlier_one_by_name(farm: FarmFolder, to: Path, tmp_path: Path) -> None:
    first, then = make.backup(farm).whole, says(farm)
    drop(farm, "later.csv", [usual(h) for h in range(60, 70)])
    steps.collect(farm)
    make.backup(farm)
    assert says(restore.restore(to, tmp_path / "earlier", first.name).folder) == then
    assert says(restore.restore(to, tmp_path / "newest").folder) == says(farm) != then
    with pytest.raises(UserError, match=first.name):
        restore.restore(to, tmp_path / "x", "1999-01-01T000000Z")
    with pytest.raises(UserError, match="There is no backup"):
        restore.restore(tmp_path, tmp_path / "x")
    assert not (tmp_path / "x").exists()


def test_a_damaged_warehouse_is_made_anew(farm: FarmFolder, to: Path, tmp_path: Path) -> None:
    whole = make.backup(farm).whole
    spoil(to, whole, WAREHOUSE)
    done = restore.restore(to, tmp_path / "new")
    assert "rebuilt from the archive" in " ".join(done.wrong)
    assert says(done.folder) == whole.checksum


def test_damaged_files_are_named_and_the_readings_kept(
    farm: FarmFolder, to: Path, tmp_path: Path
) -> None:
    whole = make.backup(farm).whole
    lost = next(e.path for e in whole.files if e.path.startswith("archive/2"))
    spoil(to, whole, lost)
    done = restore.restore(to, tmp_path / "new")
    assert lost in done.wrong[0]
    assert says(done.folder) == whole.checksum
    assert not (done.folder.root / lost).exists()
    spoil(to, whole, WAREHOUSE)
    with pytest.raises(Attention, match="another backup"):
        restore.restore(to, tmp_path / "other")


def test_nothing_is_overwritten(farm: FarmFolder, to: Path, tmp_path: Path) -> None:
    make.backup(farm)
    with pytest.raises(UserError, match="not empty"):
        restore.restore(to, farm.root)
    there = tmp_path / "there"
    there.mkdir()
    (there / "mine.txt").write_text("mine")
    with pytest.raises(UserError, match="not empty"):
        restore.restore(to, there)
    assert [p.name for p in there.iterdir()] == ["mine.txt"]


def test_a_restore_that_was_broken_off_is_begun_again(
    farm: FarmFolder, to: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make.backup(farm)
    fetch = Store.fetch

    def full(store: Store, entry: manifest.Entry, target: Path) -> None:
        if entry.path == WAREHOUSE:
            raise OSError(28, "No space left on device")
        fetch(store, entry, target)

    with monkeypatch.context() as patch:
        patch.setattr(Store, "fetch", full)
        with pytest.raises(Attention, match="No space left"):
            restore.restore(to, tmp_path / "new")
    with pytest.raises(UserError, match="not a farm folder"):
        FarmFolder.at(tmp_path / "new")
    (tmp_path / "new" / "archive" / "litter").write_text("x")
    done = restore.restore(to, tmp_path / "new")
    assert says(done.folder) == says(farm)
    assert not (done.folder.archive / "litter").exists()
    assert not (done.folder.root / restore.MARK).exists()


@pytest.mark.parametrize(
    "path", ["../outside.txt", "/etc/outside.txt", "C:\\outside.txt", "a\\..\\..\\outside.txt"]
)
def test_a_list_that_names_a_file_outside_is_refused(
    farm: FarmFolder, to: Path, tmp_path: Path, path: str
) -> None:
    whole = make.backup(farm).whole
    file = to / f"{whole.name}.json"
    said = json.loads(file.read_text(encoding="utf-8"))
    said["files"][0]["path"] = path
    file.write_text(json.dumps(said), encoding="utf-8")
    with pytest.raises(UserError, match="no backup has"):
        restore.restore(to, tmp_path / "new")
    assert not (tmp_path / "new").exists()


def test_a_backup_of_other_tables_is_kept_to_its_bytes(
    farm: FarmFolder, to: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make.backup(farm)
    monkeypatch.setattr(manifest, "declared", lambda: "others")
    done = restore.restore(to, tmp_path / "new")
    assert "whose tables are others" in done.sentences[-1]
    assert done.wrong == []
