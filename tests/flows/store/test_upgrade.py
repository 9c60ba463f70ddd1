"""A warehouse as an older program made it: frozen here, whatever the declarations become."""

from __future__ import annotations

import hashlib
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import duckdb
import pytest

from flows.base.errors import Attention, UserError
from flows.farm.folder import FarmFolder
from flows.setup import try_out
from flows.store import facts, migrate, publish, upgrade, warehouse
from flows.trust.backup import rebuild
from schemas import generated
from schemas.catalogue import TABLES
from schemas.table import Table
from tests.flows import loggers
from tests.flows.store import killed_upgrade
from tests.flows.store.killed_upgrade import RENAME

OLD = """
CREATE TABLE about (fact VARCHAR NOT NULL, value VARCHAR);
INSERT INTO about VALUES ('schema_version', '1'), ('revision', '7');
CREATE TABLE delivery (delivery VARCHAR NOT NULL, sha256 VARCHAR NOT NULL, "sequence" BIGINT NOT NULL,
    received_at TIMESTAMPTZ NOT NULL, source VARCHAR, name VARCHAR NOT NULL, setup VARCHAR,
    state VARCHAR NOT NULL, rows_in BIGINT, rows_landed BIGINT);
INSERT INTO delivery VALUES
    ('aa', 'aa', 1, '2024-04-01 12:00Z', 'hourly', 'a.csv', 'x', 'landed', 2, 2),
    ('bb', 'bb', 2, '2024-04-01 12:00Z', 'fieldbook', 'fieldbook.xlsx', 'y', 'landed', NULL, NULL);
CREATE TABLE weather_reading (station VARCHAR NOT NULL, "time" TIMESTAMPTZ NOT NULL,
    interval_s DOUBLE NOT NULL, temp_c DOUBLE, rain_mm DOUBLE, delivery VARCHAR);
INSERT INTO weather_reading VALUES
    ('west', '2024-04-01 11:00Z', 3600, 4.5, 0.2, 'aa'), ('west', '2024-04-01 12:00Z', 3600, 5, 0, 'aa');
CREATE TABLE weather_day (station VARCHAR NOT NULL, "day" DATE NOT NULL, rain_mm DOUBLE);
INSERT INTO weather_day VALUES ('west', '2024-04-01', 0.2);
CREATE TABLE field (field VARCHAR NOT NULL);
INSERT INTO field VALUES ('Home');
"""
READINGS = "SELECT station, air_temp_c, rain_mm, battery_v FROM weather_reading ORDER BY time"

WEATHER = {"station", "time", "interval_s", "air_temp_c", "rain_mm", "delivery"}

SOIL = """
CREATE TABLE soil_reading (probe VARCHAR NOT NULL, depth_cm DOUBLE NOT NULL, "time" TIMESTAMPTZ NOT NULL,
    interval_s DOUBLE NOT NULL, vwc_pct DOUBLE, soil_temp_c DOUBLE, delivery VARCHAR);
INSERT INTO soil_reading VALUES
    ('pit', 40, '2024-04-01 12:00Z', 3600, 31.5, NULL, 'aa'), ('pit', 10, '2024-04-01 12:00Z', 3600, 28, 4.5, 'aa'),
    ('pit', 10, '2024-04-01 13:00Z', 3600, NULL, 5, 'aa'), ('pit', 40, '2024-04-01 13:00Z', 3600, 31, NULL, 'bb');
"""


def sql(step: str) -> Callable[[duckdb.DuckDBPyConnection], object]:
    return lambda con: con.execute(step)


@pytest.fixture
def old(tmp_path: Path) -> FarmFolder:
    folder = loggers.make(tmp_path / "farm")
    folder.make()
    with duckdb.connect(str(folder.warehouse_file)) as con:
        con.execute(OLD)
    return folder


@pytest.fixture
def two(monkeypatch: pytest.MonkeyPatch) -> None:
    """This program as the next one will be."""
    monkeypatch.setattr(migrate, "SCHEMA_VERSION", 2)
    monkeypatch.setattr(migrate, "STEPS", {1: sql(RENAME)})


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def stands_as_it_was(path: Path) -> None:
    with duckdb.connect(str(path), read_only=True) as con:
        assert con.sql("SELECT value FROM about ORDER BY fact").fetchall() == [("7",), ("1",)]
        assert con.sql("SELECT sum(temp_c) FROM weather_reading").fetchall() == [(9.5,)]
        assert con.sql("FROM weather_day").fetchall()[0][0] == "west"
        assert len(con.sql("SHOW TABLES").fetchall()) == 5


@pytest.mark.usefixtures("two")
def test_an_older_warehouse_is_brought_up_and_its_copy_kept(old: FarmFolder) -> None:
    with warehouse.open_writer(old) as con:
        assert migrate.stored_version(con) == 2
        assert set(migrate.stored_columns(con)) >= set(TABLES)
        rows = con.sql(READINGS).fetchall()
        assert rows == [("west", 4.5, 0.2, None), ("west", 5.0, 0.0, None)]
        # What is computed is made again, and the field book is read again by the next collect.
        assert con.sql("SELECT count(*) FROM weather_day").fetchall() == [(0,)]
        assert facts.fact(con, "derive_all") == "true"
        setups = con.sql("SELECT source, setup FROM delivery ORDER BY sequence").fetchall()
        assert setups == [("hourly", "x"), ("fieldbook", None)]
    (copy,) = upgrade.saved_copies(old.warehouse_file)
    assert copy.name.startswith("checkstrip-version-1-20")
    stands_as_it_was(copy)
    with warehouse.open_writer(old) as con:
        assert con.sql("SELECT count(*) FROM weather_reading").fetchall() == [(2,)]
    assert upgrade.saved_copies(old.warehouse_file) == [copy]


def test_from_version_1_sensors_are_put_into_lists(old: FarmFolder) -> None:
    with duckdb.connect(str(old.warehouse_file)) as con:
        con.execute(SOIL)
        asked = """
            SELECT probe, depth_cm, time, interval_s, vwc_pct, soil_temp_c, delivery
            FROM soil_reading ORDER BY ALL
        """
        before = con.sql(asked).fetchall()
        con.execute(f"{RENAME}; ALTER TABLE weather_reading ADD COLUMN battery_v DOUBLE")
        weather = con.sql(READINGS).fetchall()
    with warehouse.open_writer(old) as con:
        assert con.sql(asked).fetchall() == before
        assert len(before) == 4
        assert con.sql(READINGS).fetchall() == weather
        assert set(migrate.stored_columns(con)["weather_reading"]) == WEATHER
        kept = con.sql("SELECT depth_cm, delivery FROM kept.soil_reading ORDER BY ALL").fetchall()
        assert kept == [([10.0], "aa"), ([10.0, 40.0], "aa"), ([40.0], "bb")]
        assert migrate.stored_version(con) == migrate.SCHEMA_VERSION
        assert set(migrate.stored_columns(con)) == set(TABLES)
        assert not migrate.alters(con)
    (copy,) = upgrade.saved_copies(old.warehouse_file)
    with duckdb.connect(str(copy), read_only=True) as con:
        assert con.sql(asked).fetchall() == before


def test_from_version_2_stations_go_behind_a_view_too(old: FarmFolder) -> None:
    asked = "FROM soil_reading ORDER BY ALL"
    with duckdb.connect(str(old.warehouse_file)) as con:
        con.execute(f"{RENAME}; UPDATE about SET value = '2' WHERE fact = 'schema_version'")
        table = TABLES["soil_reading"]
        con.execute(generated.ddl(table))  # all columns, lists of nothing among them
        optional = [c.name for c in table.columns if not c.required]
        migrate.add_columns(con, table, optional)
        con.execute("ALTER TABLE weather_reading RENAME TO some_columns")
        con.execute(generated.ddl(replace(TABLES["weather_reading"], wide=False)))
        con.execute("INSERT INTO weather_reading BY NAME FROM some_columns")
        con.execute(
            "INSERT INTO kept.soil_reading (probe, depth_cm, time, interval_s, vwc_pct) "
            "VALUES ('pit', [10, 40], '2024-04-01 12:00Z', 3600, [28, 31.5])"
        )
        before, weather = con.sql(asked).fetchall(), con.sql(READINGS).fetchall()
    with warehouse.open_writer(old) as con:
        assert len(before) == len(con.sql(asked).fetchall()) == 2
        assert con.sql(asked).fetchall() == before
        assert con.sql(READINGS).fetchall() == weather
        assert set(migrate.stored_columns(con)["weather_reading"]) == WEATHER
        assert not migrate.alters(con)
    assert [p.name[:20] for p in upgrade.saved_copies(old.warehouse_file)] == [
        "checkstrip-version-2"
    ]


def test_a_step_that_fails_half_way_leaves_the_old_one_and_one_copy(
    old: FarmFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(migrate, "SCHEMA_VERSION", 2)
    monkeypatch.setattr(migrate, "STEPS", {1: sql(RENAME + "; SELECT error('no such luck')")})
    for _ in range(2):
        with pytest.raises(duckdb.Error, match="no such luck"), warehouse.open_writer(old):
            pass
        stands_as_it_was(old.warehouse_file)
        assert len(upgrade.saved_copies(old.warehouse_file)) == 1


@pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is of POSIX")
@pytest.mark.usefixtures("two")
@pytest.mark.parametrize("moment", ["tables", "last"])
def test_killed_in_the_middle_the_old_one_stands_and_the_next_try_is_whole(
    old: FarmFolder, moment: str
) -> None:
    program = [sys.executable, "-m", killed_upgrade.__name__, str(old.root), moment]
    killed = subprocess.run(program, cwd=Path(__file__).parents[3], check=False)
    assert killed.returncode == -signal.SIGKILL
    stands_as_it_was(old.warehouse_file)
    with warehouse.open_writer(old) as con:
        assert con.sql(READINGS).fetchall()[0] == ("west", 4.5, 0.2, None)
    assert len(upgrade.saved_copies(old.warehouse_file)) == 1


def test_a_later_warehouse_is_neither_written_nor_changed(old: FarmFolder) -> None:
    with duckdb.connect(str(old.warehouse_file)) as con:
        con.execute("UPDATE about SET value = '9' WHERE fact = 'schema_version'")
    before = digest(old.warehouse_file)
    os.utime(old.warehouse_file, (1e9, 1e9))
    for use in (
        lambda: warehouse.open_writer(old).__enter__(),
        lambda: publish.publish(old),
        lambda: try_out.try_out(old),
        lambda: rebuild.rebuild(old),
    ):
        with pytest.raises(UserError, match=r"later Checkstrip .* nothing was changed"):
            use()
    assert digest(old.warehouse_file) == before
    assert old.warehouse_file.stat().st_mtime == 1e9
    there = {path.name for path in old.warehouse.iterdir()}
    assert there == {old.warehouse_file.name, "published"}


def test_a_warehouse_that_was_changed_since_it_was_closed_is_looked_at_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = loggers.make(tmp_path / "farm")
    opened: list[Path] = []
    connect = upgrade.connection.connect

    def counted(path: Path, **more: object) -> duckdb.DuckDBPyConnection:
        opened.append(path)
        return connect(path, **more)  # type: ignore[arg-type]

    def looks() -> int:
        opened.clear()
        with warehouse.open_writer(folder):
            return len(opened)

    monkeypatch.setattr(upgrade.connection, "connect", counted)
    assert looks() == 1  # made
    assert looks() == 1  # as it was left: only opened for work
    with duckdb.connect(str(folder.warehouse_file)) as con:
        con.execute("CREATE TABLE of_another_program (n INTEGER)")
    assert looks() == 2
    with duckdb.connect(str(folder.warehouse_file)) as con:
        con.execute("UPDATE about SET value = '99' WHERE fact = 'schema_version'")
    with pytest.raises(UserError, match="later Checkstrip"), warehouse.open_writer(folder):
        pass


def test_without_room_for_the_copy_nothing_is_begun(
    old: FarmFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(upgrade.shutil, "copyfile", full)
    with pytest.raises(Attention, match="No space left"), warehouse.open_writer(old):
        pass
    stands_as_it_was(old.warehouse_file)
    assert upgrade.saved_copies(old.warehouse_file) == []


def test_what_an_upgrade_emptied_is_not_published(old: FarmFolder) -> None:
    with pytest.raises(UserError, match="checkstrip once"):
        publish.publish(old)
    with duckdb.connect(str(old.warehouse_file)) as con:
        con.execute("ALTER TABLE weather_reading DROP COLUMN temp_c")
    old.published_file.write_bytes(b"the copy of before")
    with warehouse.open_writer(old):
        pass
    told = publish.publish(old)
    assert "wait for derive to make them again" in str(told)
    assert old.published_file.read_bytes() == b"the copy of before"


def test_from_version_3_crops_are_spelled_as_people_write_them(old: FarmFolder) -> None:
    with duckdb.connect(str(old.warehouse_file)) as con:
        for name in ("crop", "season", "price"):
            con.execute(generated.ddl(TABLES[name]))
            con.execute(f"ALTER TABLE {name} ALTER COLUMN crop SET DEFAULT 'spring_wheat'")
            required = [c.name for c in TABLES[name].columns if c.required or c.key]
            others = [c for c in required if c != "crop"]
            values = ", ".join(str(_any(TABLES[name], c)) for c in others)
            listed = f" ({', '.join(others)})" if others else ""
            con.execute(
                f"INSERT INTO {name}{listed} {f'VALUES ({values})' if others else 'DEFAULT VALUES'}"
            )
        con.execute(f"{RENAME}; UPDATE about SET value = '3' WHERE fact = 'schema_version'")
    with warehouse.open_writer(old) as con:
        for name in ("crop", "season", "price"):
            assert con.sql(f"SELECT crop FROM {name}").fetchall() == [("spring wheat",)], name
        assert facts.fact(con, "derive_all") == "true"


def _any(table: Table, column: str) -> str:
    """A value of the column's type, as SQL."""
    one_of = table[column].one_of
    given = {"VARCHAR": f"'{one_of[0] if one_of else 'Home'}'", "DATE": "DATE '2024-05-01'"}
    return given.get(table[column].kind.value, "1")
