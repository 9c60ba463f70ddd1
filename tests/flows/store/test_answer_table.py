from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import polars as pl
import pytest

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


def test_numbers_are_rounded_by_their_unit_and_times_follow_the_farm():
    lines = answer_table.to_table(ROWS, 40, ZoneInfo("America/Edmonton")).splitlines()
    assert lines[0].split() == ["time", "rain_mm", "yield_kg_ha", "x"]
    assert lines[2].split() == ["2025-07-01", "00:00:00-06:00", "1.23", "3457", "1.23457"]
    assert lines[3].split() == ["2025-07-01", "01:00:00-06:00", "0.00", "-1e-05"]
    assert lines[-3:] == ["Empty column not shown: note", "Times: America/Edmonton", "2 rows"]


def test_columns_that_do_not_fit_are_named():
    lines = answer_table.to_table(ROWS.drop("time"), 1, width=20).splitlines()
    assert lines[0].split() == ["rain_mm", "yield_kg_ha"]
    assert max(map(len, lines[:3])) <= 20
    assert lines[3].startswith("1 column more than fit here: x ")
    assert lines[-1].startswith("2 rows, the first 1 shown")


def test_an_answer_of_nothing_keeps_its_headings():
    for rows in (ROWS.head(0), pl.DataFrame({"a": [None]}, schema={"a": pl.Float64})):
        heading, *_, count = answer_table.to_table(rows, 40).splitlines()
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
