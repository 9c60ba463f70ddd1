"""What became of readings, row by row; the properties over whole files are in test_collect."""

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from flows.intake import merge
from flows.store import migrate, warehouse
from schemas import generated
from schemas.catalogue import TABLES
from schemas.quantities import Instrument
from tests.flows import invented

FIRST = datetime(2024, 4, 1, 12, tzinfo=UTC)
TABLE = TABLES["soil_reading"]
NAMES = pl.DataFrame({"seq": [1, 2, 3], "delivery": ["first", "second", "third"]})


@pytest.fixture
def con(tmp_path):
    con = warehouse.open_file(tmp_path / "w.duckdb")
    with warehouse.transaction(con):
        migrate.bring_up(con)
    yield con
    con.close()


def rows(seq, *lines):
    """``lines``: (hour, depths, values), as they come through the door."""
    return pl.DataFrame(
        [
            {
                "seq": seq,
                "line": 2 + i,
                "probe": "deep",
                "time": FIRST + timedelta(hours=hour),
                "values": sum(v is not None for v in values),
                "interval_s": 3600.0,
                "depth_cm": depths,
                "vwc_pct": values,
            }
            for i, (hour, depths, values) in enumerate(lines)
        ],
        schema_overrides={
            "depth_cm": pl.List(pl.Float64),
            "vwc_pct": pl.List(pl.Float64),
            "time": pl.Datetime("us", "UTC"),
        },
    )


def land(con, *parts):
    farm = invented.frame("farm", [invented.FARM])
    with warehouse.transaction(con):
        return merge.merge(con, Instrument.PROBE, pl.concat(parts), NAMES, farm)


def stored(con):
    found = con.sql(
        "SELECT hour(time AT TIME ZONE 'UTC') - 12, depth_cm, vwc_pct, delivery FROM soil_reading "
        "ORDER BY ALL"
    ).fetchall()
    return [tuple(row) for row in found]


def superseded(con):
    return con.sql(
        "SELECT depth_cm, value, later_value, delivery, later_delivery FROM superseded_reading "
        "ORDER BY ALL"
    ).fetchall()


def times_kept_twice(con):
    return con.sql(
        f"SELECT count(*) - count(DISTINCT (probe, time)) FROM {generated.store(TABLE)}"
    ).fetchall()[0][0]


def test_what_goes_on_in_time_is_all_new(con):
    merged = land(con, rows(1, (0, [10, 40], [30, 31]), (1, [10, 40], [32, 33])))
    assert merged.whole
    assert merged.rows["landed"].to_list() == [True, True]
    assert merged.values.select("landed", "duplicate").rows() == [(4, 0)]
    readings = [(0, 10, 30), (0, 40, 31), (1, 10, 32), (1, 40, 33)]
    assert stored(con) == [(*reading, "first") for reading in readings]


def test_a_contradiction_at_one_depth_leaves_the_neighbour_as_it_was(con):
    land(con, rows(1, (0, [10, 40], [30, 31])))
    merged = land(con, rows(2, (0, [10], [35])))
    assert not merged.whole
    assert stored(con) == [(0, 10, 35, "second"), (0, 40, 31, "first")]
    assert superseded(con) == [(10, 30, 35, "first", "second")]


def test_another_depth_of_a_time_that_is_there_comes_beside_it(con):
    land(con, rows(1, (0, [10], [30])))
    merged = land(con, rows(2, (0, [40], [31])))
    assert merged.values.select("landed", "duplicate").rows() == [(1, 0)]
    assert stored(con) == [(0, 10, 30, "first"), (0, 40, 31, "second")]
    assert superseded(con) == []


def test_the_same_again_is_counted_and_changes_nothing(con):
    lines = (0, [10, 40], [30, None]), (1, [10, 40], [32, 33])
    land(con, rows(1, *lines))
    before = stored(con)
    merged = land(con, rows(2, *lines))
    assert merged.rows.select("seq", "landed").unique().rows() == [(2, False)]
    assert merged.values.select("landed", "duplicate").rows() == [(0, 3)]
    assert stored(con) == before
    assert times_kept_twice(con) == 0


def test_a_gap_is_filled_where_the_other_value_stays(con):
    land(con, rows(1, (0, [10, 40], [30, None])))
    merged = land(con, rows(2, (0, [10, 40], [30, 31])))
    assert merged.rows["landed"].to_list() == [True]
    assert merged.values.select("landed", "duplicate").rows() == [(1, 1)]
    assert stored(con) == [(0, 10, 30, "first"), (0, 40, 31, "second")]


def test_a_row_a_sensor_comes_together(con):
    one_each = rows(1, (0, [10], [30]), (0, [40], [31]), (1, [10], [32]), (1, [40], [33]))
    merged = land(con, one_each)
    assert merged.whole
    assert times_kept_twice(con) == 0
    assert len(stored(con)) == 4


def test_deliveries_of_one_merge_contradict_in_their_order(con):
    land(con, rows(1, (0, [10], [30])), rows(2, (0, [10], [31])), rows(3, (0, [10], [32])))
    assert stored(con) == [(0, 10, 32, "third")]
    assert superseded(con) == [(10, 30, 31, "first", "second"), (10, 31, 32, "second", "third")]


def test_a_sensor_that_did_not_stand_there_says_nothing(con):
    land(con, rows(1, (0, [None, 40], [None, 31])))
    assert stored(con) == [(0, 40, 31, "first")]
    assert con.sql(f"SELECT depth_cm FROM {generated.store(TABLE)}").fetchall() == [([None, 40],)]


@pytest.mark.parametrize(
    "lines",
    [
        [(0, [10, 40], [30, 31]), (0, [10], [32])],  # a key in two rows
        [(0, [10, 40, 10], [30, 31, None])],  # twice in one row
    ],
)
def test_no_key_is_ever_stored_twice(con, monkeypatch, lines):
    """Whatever else goes wrong: the transaction that would write a key twice writes nothing."""
    monkeypatch.setattr(merge, "_contested", lambda *_: None)
    with pytest.raises(merge.KeyTwice, match=r"deep at 2024-04-01.* twice in soil_reading"):
        land(con, rows(1, *lines))
    assert stored(con) == []


def test_a_key_of_another_delivery_is_not_stored_beside_it(con, monkeypatch):
    land(con, rows(1, (0, [10], [30])))
    monkeypatch.setattr(merge, "_contested", lambda *_: None)
    with pytest.raises(merge.KeyTwice):
        land(con, rows(2, (0, [10], [31])))
    assert stored(con) == [(0, 10, 30, "first")]


def test_what_a_delivery_contradicts_in_itself_is_counted(con):
    land(con, rows(1, (0, [10], [30])))
    merged = land(
        con,
        rows(2, (0, [10], [31]), (0, [10, 40], [32, 9]), (0, [10], [33]), (1, [10], [1])),
        rows(3, (0, [10], [34]), (1, [10], [2]), (1, [10], [2])),
    )
    assert merged.contradicted.rows() == [(2, 2, 1)]
