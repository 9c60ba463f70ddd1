from __future__ import annotations

import subprocess
import sys
from contextlib import suppress
from dataclasses import replace

import duckdb
import polars as pl
import pytest

from flows.base.errors import Attention, Busy, UserError
from flows.farm.folder import FarmFolder
from flows.store import customary, facts, migrate, warehouse
from schemas import generated
from schemas.catalogue import TABLES
from schemas.former_names import FORMER
from schemas.table import Table
from tests.flows import invented


def test_tables_and_comments_are_as_declared(con: duckdb.DuckDBPyConnection) -> None:
    stored = migrate.stored_columns(con)
    assert set(stored) == set(TABLES)
    with warehouse.transaction(con):
        customary.install(con)
    for name, table in TABLES.items():
        there = {c.name for c in table.columns if c.required or not table.wide}
        assert stored[name].keys() == there
        told = con.execute(
            "SELECT column_name, comment FROM duckdb_columns() "
            "WHERE schema_name = 'main' AND table_name = ? ORDER BY column_index",
            [name],
        ).fetchall()
        former = [
            (old, f"former name of {new}; it goes with the next version")
            for old, new in FORMER.get(name, {}).items()
        ]
        assert told == [(c.name, generated.describe(c)) for c in table.columns] + former


def test_the_file_is_of_the_old_storage_version(folder: FarmFolder) -> None:
    with warehouse.open_writer(folder) as con:
        ((tags,),) = con.sql(
            "SELECT tags FROM duckdb_databases() WHERE database_name = current_database()"
        ).fetchall()
    assert tags["storage_version"].startswith("v1.2.0")


def test_a_row_that_breaks_its_declaration_is_not_written(con: duckdb.DuckDBPyConnection) -> None:
    good = invented.setup()["sensor"]
    with pytest.raises(ValueError, match=r"depth_cm: -10\.0 breaks"):
        warehouse.replace(con, TABLES["sensor"], good.with_columns(-pl.col("depth_cm")))
    with pytest.raises(ValueError, match="the same probe, depth_cm twice"):
        warehouse.append(con, TABLES["sensor"], pl.concat([good, good]))
    assert warehouse.read(con, TABLES["sensor"]).equals(good)


def test_what_is_written_is_what_is_read(con: duckdb.DuckDBPyConnection) -> None:
    rows = invented.readings(2)["weather_reading"]
    warehouse.replace(con, TABLES["weather_reading"], rows.reverse())
    assert warehouse.read(con, TABLES["weather_reading"]).equals(rows.sort("station", "time"))


def test_sensors_are_kept_as_lists_and_read_as_rows(con: duckdb.DuckDBPyConnection) -> None:
    table = TABLES["soil_reading"]
    rows = invented.readings(2)["soil_reading"]
    warehouse.replace(con, table, rows.sample(fraction=1.0, shuffle=True, seed=3))
    assert warehouse.read(con, table).equals(rows.sort(table.key))
    ((kept, times),) = con.sql(
        f"SELECT count(*), count(DISTINCT (probe, time)) FROM {generated.store(table)}"
    ).fetchall()
    assert kept == times < rows.height
    # a sensor that did not stand there has no depth, and is no reading
    con.execute(
        f"UPDATE {generated.store(table)} SET depth_cm = list_transform(depth_cm, lambda d: if(d = 40, NULL, d))"
    )
    without = rows.filter(pl.col("depth_cm") != 40).sort(table.key)
    assert 0 < without.height < rows.height
    assert warehouse.read(con, table).equals(without)


def columns(con: duckdb.DuckDBPyConnection, name: str) -> list[str]:
    return list(migrate.stored_columns(con)[name])


COMMENT = (
    "SELECT comment FROM duckdb_columns() WHERE schema_name = 'main' "
    "AND table_name = 'weather_reading' AND column_name = 'battery_v'"
)


def test_a_column_is_kept_from_its_first_value_on(con: duckdb.DuckDBPyConnection) -> None:
    table = TABLES["weather_reading"]
    nothing = pl.lit(None, pl.Float64)
    rows = invented.weather("station T", 2).sort("time").with_columns(battery_v=nothing)
    early, late = rows.head(20), rows.tail(-20).with_columns(battery_v=12.5)
    first = ["station", "time", "interval_s"]
    assert columns(con, table.name) == first
    warehouse.append(con, table, early)
    said = columns(con, table.name)
    assert set(first) < set(said)
    assert "battery_v" not in said
    assert warehouse.read(con, table).equals(early)
    with warehouse.transaction(con):
        customary.install(con)
    assert con.sql(COMMENT).fetchall() == [(generated.describe(table["battery_v"]),)]
    # within one transaction with rows that came before it, and gone with it where it fails
    for fails in (True, False):
        with suppress(ZeroDivisionError), warehouse.transaction(con):
            warehouse.append(con, table, late.head(1).with_columns(battery_v=nothing))
            warehouse.append(con, table, late.tail(-1))
            assert "battery_v" in columns(con, table.name)
            if fails:
                raise ZeroDivisionError
        assert ("battery_v" in columns(con, table.name)) is not fails
        assert con.sql("SELECT count(battery_v) FROM weather_reading").fetchall() == [
            (0 if fails else late.height - 1,)
        ]
    with warehouse.transaction(con):
        customary.install(con)
    assert con.sql(COMMENT).fetchall() == [(generated.describe(table["battery_v"]),)]
    late = late.with_columns(battery_v=pl.when(pl.col("time") > late["time"][0]).then("battery_v"))
    assert warehouse.read(con, table).equals(pl.concat([early, late]))


def test_lists_of_nothing_make_no_column(con: duckdb.DuckDBPyConnection) -> None:
    table = TABLES["soil_reading"]
    rows = invented.readings(2)["soil_reading"].with_columns(soil_temp_c=pl.lit(None, pl.Float64))
    warehouse.append(con, table, rows)
    assert "soil_temp_c" not in columns(con, table.name)
    warehouse.append(con, table, rows.with_columns(pl.col("probe") + " again", soil_temp_c=4.5))
    assert "soil_temp_c" in columns(con, table.name)
    asked = "SELECT probe LIKE '% again', count(*), count(soil_temp_c) FROM soil_reading GROUP BY 1 ORDER BY 1"
    assert con.sql(asked).fetchall() == [
        (False, rows.height, 0),
        (True, rows.height, rows.height),
    ]


def test_a_view_that_lacks_a_declared_column_is_made_again(folder: FarmFolder) -> None:
    table = TABLES["weather_reading"]
    before = replace(table, columns=tuple(c for c in table.columns if c.name != "battery_v"))
    with warehouse.open_writer(folder) as con:
        con.execute(generated.view(before, columns(con, table.name)))
        assert migrate.alters(con)
    with warehouse.open_writer(folder) as con:
        assert not migrate.alters(con)
        assert con.sql("FROM weather_reading").columns == list(table.names)


def test_a_transaction_that_fails_leaves_nothing(con: duckdb.DuckDBPyConnection) -> None:
    before = warehouse.revision(con)
    with pytest.raises(RuntimeError), warehouse.transaction(con):
        warehouse.append(con, TABLES["weather_reading"], invented.weather("station T", 1))
        raise RuntimeError
    assert warehouse.read(con, TABLES["weather_reading"]).is_empty()
    assert warehouse.revision(con) == before


def test_a_second_writer_is_told_who_is_at_work(folder: FarmFolder) -> None:
    script = (
        "import sys, time; from pathlib import Path; from flows.store import warehouse\n"
        "from flows.farm.folder import FarmFolder\n"
        "with warehouse.open_writer(FarmFolder(Path(sys.argv[1])), 'landing files'):\n"
        "    print('open', flush=True); time.sleep(60)\n"
    )
    other = subprocess.Popen(
        [sys.executable, "-c", script, str(folder.root)], stdout=subprocess.PIPE, text=True
    )
    try:
        assert other.stdout is not None and other.stdout.readline() == "open\n"
        with pytest.raises(Busy, match=rf"process {other.pid}, landing files"):
            warehouse.open_writer(folder).__enter__()
    finally:
        other.kill()
        other.wait()
    # Killed, not closed: the lock is free at once.
    with warehouse.open_writer(folder) as con:
        assert con.sql("SELECT 1").fetchall() == [(1,)]


def test_a_warehouse_of_a_later_program_is_not_opened(folder: FarmFolder) -> None:
    with warehouse.open_writer(folder) as con:
        facts.set_fact(con, "schema_version", str(migrate.SCHEMA_VERSION + 1))
    with pytest.raises(UserError, match="later Checkstrip"), warehouse.open_writer(folder):
        pass


def test_a_new_column_is_added_and_a_changed_daily_table_is_made_again(folder: FarmFolder) -> None:
    with warehouse.open_writer(folder) as con:
        con.execute("ALTER TABLE delivery DROP COLUMN layout")
        con.execute("ALTER TABLE weather_day ADD COLUMN old_idea DOUBLE")
        con.execute(
            "INSERT INTO delivery (delivery, sha256, sequence, received_at, name, state) "
            "VALUES ('a', 'a', 1, now(), 'a.csv', 'landed')"
        )
        con.execute("INSERT INTO weather_day (station, day) VALUES ('a', '2024-01-01')")
    with warehouse.open_writer(folder) as con:
        assert con.sql("SELECT delivery, layout FROM delivery").fetchall() == [("a", None)]
        assert warehouse.read(con, TABLES["weather_day"]).is_empty()
        assert facts.fact(con, "derive_all") == "true"


def test_readings_with_unknown_columns_are_not_touched(folder: FarmFolder) -> None:
    with warehouse.open_writer(folder) as con:
        con.execute("ALTER TABLE kept.soil_reading ADD COLUMN unknown DOUBLE[]")
    with pytest.raises(UserError, match="rebuild"), warehouse.open_writer(folder):
        pass


def test_a_file_that_is_no_database_is_told_plainly(folder: FarmFolder) -> None:
    folder.warehouse_file.write_bytes(b"not a database" * 4000)
    with pytest.raises(Attention, match="checkstrip rebuild"), warehouse.open_writer(folder):
        pass


def test_views_are_rendered_only_if_what_they_follow_from_changed(
    con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    rendered: list[str] = []
    view = customary.view

    def watched(table: Table) -> list[str]:
        rendered.append(table.name)
        return view(table)

    def install() -> int:
        rendered.clear()
        with warehouse.transaction(con):
            customary.install(con)
        return len(rendered)

    monkeypatch.setattr(customary, "view", watched)
    assert (install(), install()) == (len(TABLES), 0)
    rain = TABLES["rain_day"]
    said = replace(rain.columns[2], meaning="said in other words")
    other = replace(rain, columns=(*rain.columns[:2], said, *rain.columns[3:]))
    monkeypatch.setitem(TABLES, "rain_day", other)
    assert (install(), install()) == (len(TABLES), 0)
    comment = (
        "SELECT comment FROM duckdb_columns() WHERE table_name = 'rain_day' AND column_name = ?"
    )
    assert con.execute(comment, [said.name]).fetchall()[0][0].startswith(said.meaning)
    con.execute("UPDATE crop SET bushel_kg = 20")
    assert (install(), install()) == (len(TABLES), 0)
    assert con.sql("SELECT kg_ha_to_bu_ac(1000, 'spring wheat')").fetchall()[0][0] == pytest.approx(
        1000 / 20 / 2.4710538, rel=1e-6
    )
    monkeypatch.setattr(customary, "PLAIN", customary.PLAIN[1:])
    assert (install(), install()) == (len(TABLES), 0)
