from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from flows.store import wide_rows
from schemas import generated
from schemas.catalogue import TABLES

TABLE = TABLES["soil_reading"]
FIRST = datetime(2024, 4, 1, tzinfo=UTC)
keys = st.tuples(st.sampled_from("ab"), st.sampled_from([10.0, 40.0, 70.0]), st.integers(0, 4))


def frame(rows):
    """``rows``: (probe, depth, hour) → value."""
    return generated.conform(
        pl.DataFrame(
            [
                {
                    "probe": probe,
                    "depth_cm": depth,
                    "time": FIRST + timedelta(hours=hour),
                    "interval_s": 3600.0,
                    "vwc_pct": value,
                    "delivery": "d",
                }
                for (probe, depth, hour), value in rows.items()
            ],
            infer_schema_length=None,
        ),
        TABLE,
    )


@given(st.dictionaries(keys, st.none() | st.floats(0, 100), min_size=1))
def test_there_and_back_is_the_same(rows):
    single = frame(rows)
    bundled = wide_rows.bundled(single, TABLE)
    assert bundled.height == len({(probe, hour) for probe, _, hour in rows})
    assert bundled.schema["depth_cm"] == pl.List(pl.Float64)
    assert wide_rows.is_bundled(bundled, TABLE)
    assert not wide_rows.is_bundled(single, TABLE)
    back = wide_rows.single(bundled, TABLE)
    assert_frame_equal(back.sort(TABLE.key), single.sort(TABLE.key))


def test_what_differs_beside_the_lists_stays_apart():
    one, other = frame({("a", 10.0, 0): 30.0}), frame({("a", 40.0, 0): 31.0})
    both = pl.concat([one, other.with_columns(delivery=pl.lit("e"))])
    assert wide_rows.bundled(both, TABLE).sort("delivery")["depth_cm"].to_list() == [[10.0], [40.0]]


def test_an_entry_without_a_depth_is_no_reading():
    bundled = wide_rows.bundled(frame({("a", 10.0, 0): 30.0, ("a", 40.0, 0): 31.0}), TABLE)
    without = bundled.with_columns(depth_cm=pl.lit([None, 40.0], pl.List(pl.Float64)))
    assert wide_rows.single(without, TABLE).select("depth_cm", "vwc_pct").rows() == [(40.0, 31.0)]


@pytest.mark.parametrize(
    ("column", "said"),
    [
        (pl.Series([None, 1.0]), True),
        (pl.Series([None, None], dtype=pl.Float64), False),
        (pl.Series([[None, None], [None, 2.0], None]), True),
        (pl.Series([[None, None], None, []], dtype=pl.List(pl.Float64)), False),
        (pl.Series([], dtype=pl.List(pl.Float64)), False),
    ],
)
def test_a_column_has_values_where_an_entry_says_something(column, said):
    assert wide_rows.has_values(column) is said


@pytest.mark.parametrize("name", ["weather_reading", "weather_day"])
def test_other_tables_have_no_lists(name):
    assert not wide_rows.is_bundled(generated.empty(TABLES[name]), TABLES[name])
