"""Who may read what, on systems that have owners and rights."""

import os
import stat
import sys

import pytest

from flows.base import files
from flows.derive import derive
from flows.intake import collect
from flows.store import publish, warehouse
from tests.flows.loggers import drop, make, usual

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
    path = publish.newest(folder)
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
