"""Who may read what, on systems that have owners and rights."""

import os
import stat
import sys

import pytest

from flows.base import files
from flows.derive import derive
from flows.farm.folder import FarmFolder
from flows.intake import collect
from flows.store import publish, published, warehouse
from tests.flows.cli.calling import call
from tests.flows.loggers import FARM, drop, make, usual

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows has rights by folder")


@pytest.fixture(autouse=True)
def usual_umask():
    before = os.umask(0o022)
    yield
    os.umask(before)


def mode(path):
    return stat.S_IMODE(path.stat().st_mode)


@pytest.fixture
def folder(tmp_path):
    made = make(tmp_path / "farm")
    drop(made, "a.csv", [usual(i) for i in range(30)])
    collect.collect(made)
    with warehouse.open_writer(made) as con:
        derive.derive(con)
        con.execute("CREATE TABLE more AS SELECT 1")
        wal = made.warehouse_file.with_name(made.warehouse_file.name + ".wal")
        assert mode(wal) == 0o600
        con.execute("DROP TABLE more")
    publish.publish(made)
    return made


def test_what_is_kept_is_for_its_own_user(folder):
    for kept in (folder.state, folder.archive):
        assert mode(kept) == 0o700
    assert mode(folder.warehouse) == 0o711
    for file in folder.warehouse.glob("*.duckdb*"):
        assert mode(file) & 0o077 == 0, file


def test_the_published_copy_is_read_by_all_and_written_by_none(folder):
    path = published.newest(folder)
    assert mode(path) == 0o444
    assert mode(folder.published) == 0o755
    with warehouse.open_reader(path) as con, pytest.raises(Exception, match="read-only"):
        con.execute("DELETE FROM farm")


def test_a_folder_that_somebody_opened_to_others_stays_so(folder):
    folder.archive.chmod(0o750)
    drop(folder, "b.csv", [usual(i) for i in range(30, 40)])
    collect.collect(folder)
    assert mode(folder.archive) == 0o750


def test_rights_are_as_before_outside(tmp_path):
    with files.private():
        (tmp_path / "in").write_text("")
    (tmp_path / "out").write_text("")
    assert (mode(tmp_path / "in"), mode(tmp_path / "out")) == (0o600, 0o644)


def test_a_whole_run_without_any_mask_lets_nobody_else_write(tmp_path, capsys, monkeypatch):
    """Even with umask 000 (some services, some network drives) nothing is for all to change."""
    root = tmp_path / "farm"

    def run(*words):
        os.umask(0)
        code, _, err = call(capsys, monkeypatch, *words)
        assert code in (0, 1), err
        os.umask(0)

    run("new", root)
    made = FarmFolder.at(root)
    farm_toml = mode(made.farm_toml)
    made.farm_toml.write_text(FARM, encoding="utf-8")
    drop(made, "a.csv", [usual(i) for i in range(30)])
    for words in (
        ("once", root),
        ("digest", root),
        ("report", root),
        ("audit", root),
        ("backup", root),
        ("rebuild", root),
        ("restore", root / "backups", tmp_path / "restored"),
        ("sql", root, "FROM station_spell", "--parquet", root / "made.parquet"),
    ):
        run(*words)
    assert farm_toml == 0o644
    made_by_us = [*root.rglob("*"), *(tmp_path / "restored").rglob("*")]
    assert {"last_runs.json", "made.parquet"} <= {p.name for p in made_by_us}
    open_to_all = {path for path in made_by_us if mode(path) & 0o022 and path.parent != made.drop}
    assert open_to_all == set()
    for folder in (made.state, made.archive, tmp_path / "restored" / "archive"):
        assert mode(folder) & 0o077 == 0, folder
    restored = FarmFolder(tmp_path / "restored")
    for path in (restored.warehouse_file, *made.warehouse.glob("*.duckdb*")):
        assert mode(path) == 0o600, path
