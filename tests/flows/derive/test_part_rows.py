"""Rows read within bounds are those that are joined, whatever the bounds are taken from."""

from __future__ import annotations

from datetime import date, timedelta

import duckdb
import polars as pl
import pytest

from flows.derive import part_rows
from flows.store import warehouse
from schemas.catalogue import TABLES
from tests.flows.invented import frame

TABLE = TABLES["soil_day"]
FIRST = date(2023, 5, 1)
PLACES = ("O'Neill's", "a", "z", None)


@pytest.fixture
def stored(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    rows = frame(
        "soil_day",
        [
            {
                "probe": f"p{place}",
                "depth_cm": 10.0,
                "day": FIRST + timedelta(days=n),
                "field": place,
                "readings": 24,
                "vwc_coverage": 1.0,
                "partial": False,
            }
            for place in PLACES
            for n in range(40)
        ],
    ).sort(TABLE.key)
    warehouse.replace(con, TABLE, rows)
    return rows


@pytest.mark.parametrize("places", [PLACES, PLACES[:1], PLACES[1:3], PLACES[2:], ()])
def test_all_rows_of_the_places_are_read_those_of_none_too(
    con: duckdb.DuckDBPyConnection, stored: pl.DataFrame, places: tuple[str | None, ...]
) -> None:
    k = pl.DataFrame({"place": places}, schema={"place": pl.String})
    on = "t SEMI JOIN k ON t.field IS NOT DISTINCT FROM k.place"
    found = part_rows.rows(con, TABLE, on, k, {"field": (k["place"], k["place"])})
    assert found.equals(stored.filter(pl.col("field").is_in(places, nulls_equal=True)))


def test_rows_beyond_the_bounds_are_not_read(
    con: duckdb.DuckDBPyConnection, stored: pl.DataFrame
) -> None:
    k = pl.DataFrame({"place": ["a"]})
    low, high = (pl.Series([FIRST + timedelta(days=n)]) for n in (3, 5))
    within = {"field": (k["place"], k["place"]), "day": (low, high)}
    found = part_rows.rows(con, TABLE, "t, k", k, within)
    assert found["day"].to_list() == [FIRST + timedelta(days=n) for n in (3, 4, 5)]
    assert found["field"].unique().to_list() == ["a"]
