"""What is read once for several tables is what each would have read."""

from __future__ import annotations

import duckdb
import polars as pl
import pytest

from flows.derive import derive, frames, making
from flows.derive.frames import Frames
from flows.derive.made_from import MadeFrom
from flows.store import warehouse
from schemas.catalogue import TABLES
from tests.flows.derive.two_years import MADE, put, tables
from transforms import order


@pytest.fixture
def derived(con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(order, "DAILY", ())
    monkeypatch.setattr(order, "DERIVED", MADE)
    put(con, tables())
    derive.derive(con)
    return con


def test_recent_rows_read_once_are_those_asked_of_the_database(
    derived: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    read: list[str] = []
    real = warehouse.read
    monkeypatch.setattr(
        warehouse, "read", lambda *a, **k: read.append(" ".join(map(str, a[2:]))) or real(*a, **k)
    )
    monkeypatch.setattr(frames, "SMALL_ROWS", -1)
    made_from, kept, served = MadeFrom(derived), Frames(derived), 0
    for name in MADE:
        parts = made_from.parts(name)
        for part in parts.made_from if parts is not None else ():
            for source in made_from.sources(name):
                asked = parts.given(derived, source, [part])
                before = len(read)
                rows = kept.of(source, made_from.rows(source), parts, [part], [part])
                served += parts.since(source, [part])[0] is not None and len(read) == before
                assert rows.equals(asked), (name, source, part)
    assert any(where.startswith("day >=") for where in read)
    assert served > 10  # asked of nothing but what was read before


def test_of_many_rows_none_are_kept(
    derived: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(frames, "SMALL_ROWS", -1)
    monkeypatch.setattr(frames, "RECENT_ROWS", 0)
    monkeypatch.setattr(warehouse, "read", lambda *_: pytest.fail("read more than the part"))
    made_from = MadeFrom(derived)
    parts = made_from.parts("soil_month")
    assert parts is not None
    last = list(parts.made_from)[-1]
    assert parts.since("soil_day", [last])[1] > 0
    assert not Frames(derived).of("soil_day", 10**6, parts, [last], [last]).is_empty()


def test_where_others_to_be_made_need_the_first_months_none_are_kept(
    derived: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(frames, "SMALL_ROWS", -1)
    monkeypatch.setattr(warehouse, "read", lambda *_: pytest.fail("read more than the part"))
    parts = MadeFrom(derived).parts("soil_month")
    assert parts is not None
    every = list(parts.made_from)
    assert not Frames(derived).of("soil_day", 10**6, parts, every[-1:], every).is_empty()


def test_some_columns_are_given_whether_all_were_read_or_not(
    derived: duckdb.DuckDBPyConnection,
) -> None:
    some, anew = ("day", "probe"), Frames(derived)
    assert anew.columns("soil_day", some).columns == list(some)
    whole = anew.columns("soil_day", None)
    assert whole.columns == list(TABLES["soil_day"].names)
    assert anew.columns("soil_day", some).equals(whole.select(some))
    anew.drop_but(())
    assert anew.columns("soil_day", some).equals(whole.select(some))


@pytest.mark.parametrize("name", [name for name in order.DERIVED if making.columns_read(name)])
def test_columns_that_a_module_reads_are_declared(name: str) -> None:
    sources = {source.name: source for source in making.sources(name)}
    for source, columns in making.columns_read(name).items():
        assert set(columns) <= set(sources[source].names)
        assert len(set(columns)) == len(columns)


def test_what_was_written_is_not_read_again(
    derived: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = pl.DataFrame({"probe": ["a"]})
    kept = Frames(derived)
    kept.written("soil_day", rows)
    monkeypatch.setattr(warehouse, "read", lambda *_: pytest.fail("read again"))
    assert kept.whole("soil_day") is rows
