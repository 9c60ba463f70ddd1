from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import duckdb
import polars as pl
import pytest

from flows.base.errors import UserError
from flows.store import answer_table

ROWS = pl.DataFrame(
    {
        "time": [datetime(2025, 7, 1, 6, tzinfo=UTC), datetime(2025, 7, 1, 7, tzinfo=UTC)],
        "rain_mm": [1.23456, 0.0],
        "yield_kg_ha": [3456.789, None],
        "note": [None, None],
        "x": [1.23456789, -0.00001],
    },
    schema_overrides={"note": pl.String},
)


@pytest.fixture
def table():
    with duckdb.connect() as con:
        con.execute("SET TimeZone = 'UTC'")

        def table(rows, *given, **more):
            con.register("rows_given", rows)
            return answer_table.to_table(con.sql("FROM rows_given"), *given, **more)

        yield table


def test_numbers_are_rounded_by_their_unit_and_times_follow_the_farm(table):
    lines = table(ROWS, 40, ZoneInfo("America/Edmonton")).splitlines()
    assert lines[0].split() == ["time", "rain_mm", "yield_kg_ha", "x"]
    assert lines[2].split() == ["2025-07-01", "00:00:00-06:00", "1.23", "3457", "1.23457"]
    assert lines[3].split() == ["2025-07-01", "01:00:00-06:00", "0.00", "-1e-05"]
    assert lines[-3:] == ["Empty column not shown: note", "Times: America/Edmonton", "2 rows"]


def test_columns_that_do_not_fit_are_named(table):
    lines = table(ROWS.drop("time"), 1, width=20).splitlines()
    assert lines[0].split() == ["rain_mm", "yield_kg_ha"]
    assert max(map(len, lines[:3])) <= 20
    assert lines[3].startswith("1 column more than fit here: x ")
    assert lines[-1].startswith("2 rows, the first 1 shown")


def test_a_long_answer_says_that_there_is_more_and_fetches_only_what_it_shows(table):
    rows = pl.DataFrame({"n": range(48)})
    assert table(rows, 48).splitlines()[-1] == table(rows, 0).splitlines()[-1] == "48 rows"
    *lines, count = table(rows, 5).splitlines()
    assert [line.strip() for line in lines[2:]] == ["0", "1", "2", "3", "4"]
    assert count.startswith("48 rows, the first 5 shown")


def test_a_query_that_fails_while_it_runs_is_the_users_mistake():
    with duckdb.connect() as con, pytest.raises(UserError, match=r"cannot be answered.*boo"):
        answer_table.to_table(con.sql("SELECT error('boo')"), 5)


def test_an_answer_of_nothing_keeps_its_headings(table):
    for rows in (ROWS.head(0), pl.DataFrame({"a": [None]}, schema={"a": pl.Float64})):
        heading, *_, count = table(rows, 40).splitlines()
        assert heading.split() == rows.columns
        assert count == ("0 rows" if rows.is_empty() else "1 row")


@pytest.mark.parametrize(
    ("column", "decimals"),
    [("soil_temp_c", 1), ("uptake_share", 2), ("net_per_ha", 2), ("mm", None), ("p", None)],
)
def test_the_longest_unit_counts(column, decimals):
    assert answer_table.decimals(column) == decimals


def test_what_rounds_to_nothing_has_no_sign():
    assert answer_table.cell(-0.001, "rain_mm") == "0.00"
