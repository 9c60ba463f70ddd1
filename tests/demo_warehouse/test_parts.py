"""What a table says that its rows depend on is true of the demo: each part alone is as among all."""

import shutil

import polars as pl
import pytest

from flows.derive.part_word import Word
from flows.store import connection, warehouse
from schemas.catalogue import TABLES
from tests.flows.parts_alone import METHODS, alone, made, settled

PARTED = [name for name, method in METHODS.items() if method.part]
# No sensor of the demo steps.
NONE = {"soil_step", "soil_offset"}


@pytest.fixture(scope="module")
def con(derived, tmp_path_factory):
    copy = tmp_path_factory.mktemp("parts") / "copy.duckdb"
    shutil.copy(derived.warehouse_file, copy)
    opened = connection.connect(copy)
    yield opened
    opened.close()


@pytest.mark.parametrize("name", PARTED)
def test_each_part_alone_is_as_among_all(con, name):
    rows, parts = alone(con, name, METHODS[name].part)
    assert parts >= 4
    assert rows.is_empty() == (name in NONE)
    assert rows.equals(warehouse.read(con, TABLES[name]))


@pytest.mark.parametrize("name", [name for name, method in METHODS.items() if method.harvested])
def test_seasons_that_still_grow_change_nothing(con, name):
    tables = {s: warehouse.read(con, TABLES[s]) for s in METHODS[name].sources}
    grows = pl.col("season") == pl.col("season").max().over("field")
    tables["season"] = tables["season"].with_columns(harvested=pl.when(~grows).then("harvested"))
    harvested, place = tables["season"].drop_nulls("harvested"), ["field", "season"]
    of_seasons = [s for s in tables if set(place) <= set(TABLES[s].key) and s != "season"]
    kept = {s: tables[s].join(harvested, on=place, how="semi") for s in of_seasons}
    assert all(0 < kept[s].height < tables[s].height for s in of_seasons)
    rows = settled(name, made(name, tables))
    assert not rows.is_empty()
    assert settled(name, made(name, tables | kept)).equals(rows)


@pytest.mark.parametrize("name", [name for name, method in METHODS.items() if method.needs])
def test_without_what_it_needs_a_table_is_empty(con, name):
    tables = {s: warehouse.read(con, TABLES[s]) for s in METHODS[name].sources}
    assert not settled(name, made(name, tables)).is_empty()
    needs = METHODS[name].needs
    assert settled(name, made(name, tables | {needs: tables[needs].clear()})).is_empty()


@pytest.mark.parametrize(
    ("name", "wrong"),
    [
        ("soil_limit", Word.of("probe year")),
        ("soil_month", Word.of("probe year", 0)),
        ("drawdown_day", Word.of("field year", 1)),
    ],
)
def test_a_wrong_word_is_found(con, name, wrong):
    rows, _ = alone(con, name, wrong)
    assert not rows.equals(warehouse.read(con, TABLES[name]))
