from __future__ import annotations

import duckdb
import polars as pl
import pytest

from flows.store import checksum, warehouse
from schemas.catalogue import TABLES
from tests.flows import invented


def of(con: duckdb.DuckDBPyConnection, name: str) -> int:
    return checksum._of(con, TABLES[name]).value


def put(con: duckdb.DuckDBPyConnection, name: str, rows: pl.DataFrame) -> int:
    with warehouse.transaction(con):
        warehouse.replace(con, TABLES[name], rows)
    return of(con, name)


def test_order_does_not_matter_and_content_does(con: duckdb.DuckDBPyConnection) -> None:
    rows = invented.weather("station T", 3)
    first = put(con, "weather_reading", rows)
    assert put(con, "weather_reading", rows.sample(fraction=1.0, shuffle=True, seed=3)) == first
    warmer = rows.with_columns(
        air_temp_c=pl.when(pl.int_range(pl.len()) == 7)
        .then(pl.col("air_temp_c") + 1e-6)
        .otherwise("air_temp_c")
    )
    assert put(con, "weather_reading", warmer) != first


def test_how_it_arrived_does_not_count(con: duckdb.DuckDBPyConnection) -> None:
    rows = invented.weather("station T", 2)
    first = put(con, "weather_reading", rows)
    assert put(con, "weather_reading", rows.with_columns(delivery=pl.lit("other"))) == first


def test_a_swap_between_columns_or_rows_shows(con: duckdb.DuckDBPyConnection) -> None:
    base = [{"field": "ab", "practice": "c", "soil": None}]
    sums = [
        put(con, "field", invented.frame("field", rows))
        for rows in (
            base,
            [{"field": "a", "practice": "bc", "soil": None}],
            [{"field": "ab", "practice": "c", "soil": "-"}],
            [{"field": "ab", "practice": "c", "soil": ""}],
            [{"field": "ab", "practice": "c", "notes": ""}],
            [*base, {"field": "a", "practice": "bc"}],
        )
    ]
    assert len(set(sums)) == len(sums)


def test_the_sixteenth_digit_does_not_count_and_zero_has_no_sign(
    con: duckdb.DuckDBPyConnection,
) -> None:
    rows = [{"field": "a", "practice": "c", "area_ha": 0.1 + 0.2}]
    first = put(con, "field", invented.frame("field", rows))
    assert put(con, "field", invented.frame("field", [{**rows[0], "area_ha": 0.3}])) == first
    assert put(con, "field", invented.frame("field", [{**rows[0], "area_ha": 0.3001}])) != first
    zero = put(con, "field", invented.frame("field", [{**rows[0], "area_ha": 0.0}]))
    assert put(con, "field", invented.frame("field", [{**rows[0], "area_ha": -0.0}])) == zero


def test_a_refusal_counts_once_however_often_it_was_delivered(
    con: duckdb.DuckDBPyConnection,
) -> None:
    row = {
        "delivery": "d1",
        "line": 4,
        "column_name": "RH",
        "extent": "value",
        "cause": "out of range",
        "found": "180",
        "raw": "2024-05-01,180",
    }
    once = put(con, "quarantine", invented.frame("quarantine", [row]))
    twice = [row, {**row, "delivery": "d2", "line": 9}]
    assert put(con, "quarantine", invented.frame("quarantine", twice)) == once
    other = [row, {**row, "line": 5, "found": "190"}]
    assert put(con, "quarantine", invented.frame("quarantine", other)) != once


@pytest.mark.parametrize("name", ["about", "delivery", "flow_run", "touched_day"])
def test_receipts_are_not_in_the_sum_of_all(con: duckdb.DuckDBPyConnection, name: str) -> None:
    before = checksum.total(con)
    rows = {
        "about": [{"fact": "x", "value": "y"}],
        "delivery": [
            {
                "delivery": "d",
                "sha256": "s",
                "sequence": 1,
                "received_at": invented.times(1, invented.FIRST, 6)[0],
                "name": "n",
                "state": "landed",
            }
        ],
        "flow_run": [
            {
                "flow": "f",
                "started_at": invented.times(1, invented.FIRST, 6)[0],
                "state": "done",
            }
        ],
        "touched_day": [{"instrument": "i", "kind": "probe", "day": invented.FIRST}],
    }
    warehouse.append(con, TABLES[name], invented.frame(name, rows[name]))
    assert checksum.total(con) == before
    lines = checksum.lines(con)
    assert lines[-1].split()[0] == before
    assert lines[-1].endswith(" all")
    assert any(line.split()[2] == name and "not in the sum" in line for line in lines)
