from __future__ import annotations

import errno
import json
import os
import stat
import subprocess
import sys
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import TypeVar

import duckdb
import polars as pl
import pytest

from flows.base.errors import Attention, UserError
from flows.derive import derive
from flows.farm.folder import FarmFolder
from flows.store import answer, connection, packed, publish, published, query, warehouse
from tests.flows import invented
from tests.flows.store import front_end
from transforms import order

T = TypeVar("T")


@pytest.fixture(autouse=True)
def daily_only(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(order, "DAILY", ("weather_day", "soil_day"))
    monkeypatch.setattr(order, "DERIVED", ())


def grow(folder: FarmFolder, turn: int, days: int = 2) -> None:
    """One turn of the pipeline: readings of new days, derived and published."""
    with warehouse.open_writer(folder) as con:
        if turn == 0:
            invented.put_setup(con, invented.setup())
        first = invented.FIRST + timedelta(days=turn * days)
        invented.put(con, invented.readings(days, first, step_h=6))
        derive.derive(con)
    publish.publish(folder)


def test_without_a_warehouse_it_says_what_to_do(folder: FarmFolder) -> None:
    with pytest.raises(UserError, match="checkstrip once"):
        publish.publish(folder)
    with pytest.raises(UserError, match="checkstrip once"):
        query.open_published(folder)


def test_the_copy_is_whole_and_read_only(folder: FarmFolder) -> None:
    grow(folder, 0)
    path = published.newest(folder)
    assert path == folder.published_file
    assert not path.stat().st_mode & (stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH)
    with query.open_published(folder) as con:
        assert con.sql("SELECT count(*) FROM weather_reading").fetchall() == [(16,)]
        assert con.sql("SELECT count(*) FROM customary.weather_day").fetchall() == [(4,)]
        with pytest.raises(duckdb.Error):
            con.execute("DELETE FROM weather_reading")


def test_it_is_skipped_where_nothing_changed(folder: FarmFolder) -> None:
    grow(folder, 0)
    before = folder.published_file.stat()
    assert not publish.publish(folder).new
    after = folder.published_file.stat()
    assert (before.st_ino, before.st_mtime_ns) == (after.st_ino, after.st_mtime_ns)
    with warehouse.open_writer(folder) as con:
        con.execute("UPDATE field SET soil = 'clay'")
        warehouse.changed(con)
    assert publish.publish(folder).new
    with query.open_published(folder) as con:
        assert con.sql("SELECT soil FROM field").fetchall() == [("clay",)]


def test_a_copy_that_went_missing_is_made_again(folder: FarmFolder) -> None:
    grow(folder, 0)
    folder.published_file.unlink()
    assert publish.publish(folder).new
    assert folder.published_file.exists()


def test_a_reader_keeps_its_copy_and_the_next_sees_the_new_one(folder: FarmFolder) -> None:
    grow(folder, 0)
    with query.open_published(folder) as con:
        grow(folder, 1)
        assert con.sql("SELECT count(*) FROM weather_day").fetchall() == [(4,)]
    with query.open_published(folder) as con:
        assert con.sql("SELECT count(*) FROM weather_day").fetchall() == [(8,)]


def test_where_the_fixed_name_is_in_use_a_numbered_one_serves(
    folder: FarmFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    grow(folder, 0)
    real = Path.replace

    def in_use(self: Path, target: Path) -> Path:
        if Path(target) == folder.published_file:
            raise PermissionError(13, "used by another process")
        return real(self, target)

    monkeypatch.setattr(Path, "replace", in_use)
    for turn in (1, 2):
        grow(folder, turn)
        path = published.newest(folder)
        assert path is not None and path != folder.published_file
        with query.open_published(folder) as con:
            assert con.sql("SELECT count(*) FROM weather_day").fetchall() == [(4 * turn + 4,)]
        # The fixed one and the newest: older numbered copies are gone.
        assert len(list(folder.published.iterdir())) == 2
    monkeypatch.undo()
    # Nothing new to say, but the name is free now.
    assert not publish.publish(folder).new
    assert published.newest(folder) == folder.published_file
    assert list(folder.published.iterdir()) == [folder.published_file]
    with warehouse.open_reader(folder.published_file) as con:
        assert con.sql("SELECT count(*) FROM weather_day").fetchall() == [(12,)]


def test_a_full_disk_leaves_the_old_copy(
    folder: FarmFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    grow(folder, 0)
    real = os.fsync

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(Attention, match="No space left"):
        grow(folder, 1)
    monkeypatch.setattr(os, "fsync", real)
    assert list(folder.published.iterdir()) == [folder.published_file]
    with query.open_published(folder) as con:
        assert con.sql("SELECT count(*) FROM weather_day").fetchall() == [(4,)]
    assert publish.publish(folder).new


def test_a_log_left_beside_the_copy_is_not_read_into_the_next(folder: FarmFolder) -> None:
    grow(folder, 0)
    log = folder.published_file.with_name(folder.published_file.name + ".wal")
    log.write_bytes(b"left by somebody")
    grow(folder, 1)
    assert not log.exists()


def test_front_ends_read_while_the_pipeline_writes(folder: FarmFolder, tmp_path: Path) -> None:
    grow(folder, 0)
    until = tmp_path / "enough"
    program = [sys.executable, front_end.__file__, folder.published_file, until]
    readers = {
        name: subprocess.Popen(
            [*map(str, program), name],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for name in front_end.READERS
    }
    # And one that opened the first copy and never lets go of it.
    with query.open_published(folder) as held:
        for turn in range(1, 5):
            grow(folder, turn)
        until.touch()
        for name, reader in readers.items():
            out, err = reader.communicate(timeout=60)
            assert reader.returncode == 0, (name, err)
            assert int(out.split()[0]) >= 1
        assert held.sql("SELECT count(*) FROM weather_day").fetchall() == [(4,)]
    with query.open_published(folder) as con:
        assert con.sql("SELECT count(*) FROM weather_day").fetchall() == [(20,)]


def test_the_record_is_small_and_plain(folder: FarmFolder) -> None:
    grow(folder, 0)
    record = json.loads((folder.state / "published.json").read_text())
    assert record["file"] == folder.published_file.name
    assert record["number"] == 1


def test_attached_under_another_name_views_and_macros_work(folder: FarmFolder) -> None:
    grow(folder, 0)
    with duckdb.connect() as con:
        con.execute(f"ATTACH '{folder.published_file}' AS farm_copy (READ_ONLY)")
        ((mm, inch),) = con.sql(
            "SELECT sum(d.rain_mm), sum(c.rain_in) FROM farm_copy.weather_day d "
            "JOIN farm_copy.customary.weather_day c USING (station, day)"
        ).fetchall()
        assert inch == pytest.approx(mm / 25.4)
        for crop in ("spring wheat", "spring_wheat", "Spring Wheat"):
            ((bushels,),) = con.execute(
                "SELECT farm_copy.kg_ha_to_bu_ac(6725.11, ?)", [crop]
            ).fetchall()
            assert bushels == pytest.approx(100, rel=1e-4), crop
        assert con.sql("SELECT farm_copy.kg_ha_to_bu_ac(1, 'no such')").fetchall() == [(None,)]


def test_polars_reads_what_was_written(folder: FarmFolder) -> None:
    grow(folder, 0)
    with query.open_published(folder) as con:
        rows = answer.frame(query.ask(con, "FROM weather_reading ORDER BY station, time"))
    expected = invented.readings(2, step_h=6)["weather_reading"].sort("station", "time")
    assert rows.select(expected.columns).equals(expected)
    assert isinstance(rows.schema["time"], pl.Datetime)


def _told(path: Path) -> list[list[tuple[object, ...]]]:
    """What a file says of itself: tables, columns, comments, views, macros; and its rows."""
    with duckdb.connect(str(path), read_only=True) as con:
        queries = (
            "SELECT schema_name, table_name, comment, sql FROM duckdb_tables() ORDER BY ALL",
            "SELECT schema_name, table_name, column_name, comment, data_type, is_nullable, "
            "column_index FROM duckdb_columns() WHERE NOT internal ORDER BY ALL",
            "SELECT schema_name, view_name, comment, sql FROM duckdb_views() WHERE NOT internal "
            "ORDER BY ALL",
            "SELECT function_name, comment, parameters, macro_definition FROM duckdb_functions() "
            "WHERE NOT internal ORDER BY ALL",
            "FROM kept.soil_reading ORDER BY ALL",
            "FROM weather_day ORDER BY ALL",
        )
        return [con.sql(query).fetchall() for query in queries]


def _looked_at(monkeypatch: pytest.MonkeyPatch, look: Callable[[Path], T]) -> list[T]:
    """What ``look`` finds of the warehouse each time before it is packed."""
    found: list[T] = []
    real = packed.pack

    def looked(path: Path, block: int, used: int, *, small: bool) -> bool:
        found.append(look(path))
        return real(path, block, used, small=small)

    monkeypatch.setattr(packed, "pack", looked)
    return found


@pytest.mark.parametrize(("small", "free"), [(10**9, 9.0), (0, 0.0), (0, 1e9)])
def test_packed_it_says_what_it_said_in_whatever_blocks(
    folder: FarmFolder, monkeypatch: pytest.MonkeyPatch, small: int, free: float
) -> None:
    with warehouse.open_writer(folder) as con:
        con.execute("CREATE SCHEMA used; CREATE TABLE used.own AS SELECT range n FROM range(7)")
    monkeypatch.setattr(packed, "SMALL_BYTES", small)
    monkeypatch.setattr(packed, "MOST_FREE", free)
    before = _looked_at(monkeypatch, _told)
    grow(folder, 0)
    path = published.newest(folder)
    assert path is not None
    assert all(before[0])
    assert _told(path) == _told(folder.warehouse_file) == before[0]
    for file in (path, folder.warehouse_file):
        with duckdb.connect(str(file), read_only=True) as con:
            block, version = con.sql(
                "SELECT block_size, tags['storage_version'] FROM pragma_database_size() "
                "JOIN duckdb_databases() USING (database_name)"
            ).fetchall()[0]
        assert block == (packed.SMALL_BLOCK if small else packed.USUAL_BLOCK)
        assert version.startswith("v1.2.0")
    assert not list(folder.published.glob("*.wal*"))
    assert not list(folder.warehouse_file.parent.glob("*.packed*"))


def test_a_small_farms_file_is_small_and_written_on(
    folder: FarmFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = _looked_at(monkeypatch, lambda path: path.stat().st_size)
    grow(folder, 0)
    for turn in range(1, 4):
        grow(folder, turn)
        assert folder.warehouse_file.stat().st_size < before[0] / 2
        assert _of(folder.warehouse_file)[0] == packed.SMALL_BLOCK


def test_a_farm_that_is_larger_in_small_blocks_keeps_the_usual_ones(
    folder: FarmFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    written: list[int] = []
    real = connection.repack
    monkeypatch.setattr(
        connection, "repack", lambda a, b, block: written.append(block) or real(a, b, block)
    )
    with warehouse.open_writer(folder) as con:
        _years(con)
    grow(folder, 0)
    grow(folder, 1)
    block, used = _of(folder.warehouse_file)
    assert used < packed.SMALL_BYTES
    assert block == packed.USUAL_BLOCK
    assert written == [packed.SMALL_BLOCK]  # tried once


def test_a_farm_that_outgrows_small_blocks_gets_the_usual_ones(folder: FarmFolder) -> None:
    grow(folder, 0)
    assert _of(folder.warehouse_file)[0] == packed.SMALL_BLOCK
    with warehouse.open_writer(folder) as con:
        _years(con)
    grow(folder, 1)
    grow(folder, 2)
    assert _of(folder.warehouse_file)[0] == packed.USUAL_BLOCK
    with duckdb.connect(str(folder.published_file), read_only=True) as con:
        assert con.sql("SELECT count(*) FROM used.years").fetchall() == [(5_000_000,)]


def test_a_disk_that_is_full_while_it_is_packed_leaves_the_warehouse(
    folder: FarmFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(source: Path, target: Path, block: int) -> None:
        target.write_bytes(b"half")
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(connection, "repack", full)
    with pytest.raises(Attention, match="could not be written"):
        grow(folder, 0)
    assert not list(folder.warehouse_file.parent.glob("*.packed*"))
    monkeypatch.undo()
    publish.publish(folder)
    assert _told(folder.published_file) == _told(folder.warehouse_file)


def test_what_a_killed_process_left_of_packing_goes(folder: FarmFolder) -> None:
    grow(folder, 0)
    left = [folder.warehouse_file.with_suffix(end) for end in (".packed", ".packed.wal")]
    for path in left:
        path.write_bytes(b"half")
    grow(folder, 1)
    assert not any(path.exists() for path in left)
    assert _told(folder.published_file) == _told(folder.warehouse_file)


def test_what_is_still_in_a_log_is_not_left_behind(folder: FarmFolder) -> None:
    grow(folder, 0)
    before = folder.warehouse_file.read_bytes()
    log = folder.warehouse_file.with_name(folder.warehouse_file.name + ".wal")
    log.write_bytes(b"")
    assert packed.pack(folder.warehouse_file, packed.SMALL_BLOCK, 10**9, small=True)
    assert folder.warehouse_file.read_bytes() == before


def _years(con: duckdb.DuckDBPyConnection) -> None:
    """Numbers that compress well, in usual blocks only."""
    con.execute("CREATE SCHEMA IF NOT EXISTS used")
    con.execute("CREATE TABLE used.years AS SELECT range % 7 AS n FROM range(5_000_000)")


def _of(path: Path) -> tuple[int, int]:
    with duckdb.connect(str(path), read_only=True) as con:
        return connection.blocks(con)


def test_what_waits_to_be_written_again_is_not_copied(
    folder: FarmFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(packed, "SMALL_BYTES", 0)
    monkeypatch.setattr(packed, "MOST_FREE", 1.2)
    for turn in range(3):
        grow(folder, turn)
    path = published.newest(folder)
    assert path is not None
    with duckdb.connect(str(path), read_only=True) as con:
        free = con.sql("SELECT free_blocks / total_blocks FROM pragma_database_size()").fetchall()
    assert free[0][0] < 0.2
