from __future__ import annotations

from datetime import date, timedelta
from itertools import permutations

import duckdb
import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flows.base.errors import UserError
from flows.derive import derive, making, reduced, waiting_days
from flows.store import checksum, warehouse
from schemas.catalogue import TABLES
from tests.flows import invented
from transforms import order
from transforms.methods import calendar_day

DAYS = 6


@pytest.fixture(autouse=True)
def a_few_tables(monkeypatch: pytest.MonkeyPatch) -> None:
    """The tables have tests of their own; a few of each tier show how they are run."""
    monkeypatch.setattr(order, "DAILY", ("weather_day", "soil_day"))
    monkeypatch.setattr(order, "DERIVED", ("soil_quality_day", "soil_water_day"))


def quiet(con: duckdb.DuckDBPyConnection) -> str:
    """The checksum after one derive over readings that all came at once."""
    invented.put(con, invented.readings(DAYS, step_h=6))
    derive.derive(con)
    return checksum.total(con)


def test_one_row_for_each_instrument_day(con: duckdb.DuckDBPyConnection) -> None:
    quiet(con)
    assert con.sql("SELECT count(*), count(DISTINCT day) FROM weather_day").fetchall() == [
        (2 * DAYS, DAYS)
    ]
    assert con.sql("SELECT count(*) FROM soil_day").fetchall() == [(2 * 3 * DAYS,)]
    assert con.sql("SELECT count(*) FROM touched_day").fetchall() == [(0,)]


@settings(max_examples=4, deadline=None)
@given(parts=st.integers(1, 4), seed=st.integers(0, 10_000), between=st.booleans())
def test_any_order_and_split_of_readings_gives_the_same(
    parts: int, seed: int, between: bool
) -> None:
    expected = EXPECTED.setdefault("all at once", quiet(invented.scratch()))
    rng = np.random.default_rng(seed)
    pieces = [
        {
            name: rows.filter(pl.Series(labels == part))
            for name, rows in invented.readings(DAYS, step_h=6).items()
            for labels in [np.random.default_rng(seed).integers(0, parts, rows.height)]
        }
        for part in range(parts)
    ]
    con = invented.scratch()
    for part in rng.permutation(parts):
        invented.put(con, pieces[part])
        if between:
            derive.derive(con)
    derive.derive(con)
    assert checksum.total(con) == expected


EXPECTED: dict[str, str] = {}


def test_chunks_do_not_show(
    con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    expected = quiet(con)
    monkeypatch.setattr(reduced, "CHUNK_ROWS", 7)
    assert quiet(invented.scratch()) == expected


def test_the_real_order_runs_whole(
    con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.undo()
    invented.put(con, invented.readings(DAYS, step_h=6))
    derive.derive(con)
    first = checksum.total(con)
    assert derive.derive(con) == derive.Derived()
    assert checksum.total(con) == first


def test_only_touched_days_are_reduced_and_those_near_that_a_counter_reading_concerns(
    con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    quiet(con)
    one = reduced.reduction("weather_day")
    day = invented.FIRST + timedelta(days=4)
    waiting_days.touch(
        con, pl.DataFrame({"instrument": ["station T"], "kind": ["station"], "day": [day]})
    )
    assert waiting_days.waiting(con, one).rows() == [
        ("station T", day + timedelta(days=by)) for by in (-1, 0, 1)
    ]
    seen: list[int] = []
    real = waiting_days.readings

    def counting(*args: object) -> pl.DataFrame:
        rows = real(*args)  # type: ignore[arg-type]
        seen.append(rows.height)
        return rows

    monkeypatch.setattr(waiting_days, "readings", counting)
    derive.derive(con)
    # Three days of four readings, the last ones there are, and the counter readings of a day before:
    # read once for all tables that are made from them.
    assert seen == [16]


def test_a_late_counter_reading_takes_rain_off_the_day_after_a_gap(
    con: duckdb.DuckDBPyConnection,
) -> None:
    rows = invented.weather("station T", DAYS, step_h=6)
    late = (pl.col("time").dt.day() >= 4) & (pl.col("time").dt.day() <= 6)
    invented.put(con, {"weather_reading": rows.filter(~late)})
    derive.derive(con)
    bridged = con.sql("SELECT count(*) FROM weather_day WHERE rain_since_day < day").fetchall()
    assert bridged == [(1,)]
    invented.put(con, {"weather_reading": rows.filter(late)})
    derive.derive(con)
    assert con.sql("SELECT count(*) FROM weather_day WHERE rain_since_day < day").fetchall() == [
        (0,)
    ]


def test_a_counter_gap_of_a_year_is_bridged(con: duckdb.DuckDBPyConnection) -> None:
    early = invented.weather("station T", 2, step_h=6)
    late = invented.weather("station T", 2, date(2025, 4, 1), step_h=6).with_columns(
        rain_counter_mm=25.0, rain_counter_rolls_at_mm=pl.lit(None, pl.Float64)
    )
    early = early.with_columns(
        rain_counter_mm=5.0, rain_counter_rolls_at_mm=pl.lit(None, pl.Float64)
    )
    invented.put(con, {"weather_reading": early})
    derive.derive(con)
    invented.put(con, {"weather_reading": late})
    derive.derive(con)
    (row,) = con.sql(
        "SELECT rain_mm, rain_since_day FROM weather_day WHERE day = DATE '2025-04-01'"
    ).fetchall()
    # The readings of the last day end at its midnight, so the gap began with the day after.
    assert row == (20.0, date(2024, 4, 3))


def test_a_change_of_a_spell_makes_only_its_instrument_again(
    con: duckdb.DuckDBPyConnection,
) -> None:
    quiet(con)
    setup = invented.setup()
    until = invented.FIRST + timedelta(days=3)
    changed = setup["station_spell"].with_columns(
        to_day=pl.when(pl.col("station") == "station T").then(pl.lit(until))
    )
    invented.put_setup(con, {"station_spell": changed})
    assert derive.derive(con).days == DAYS
    assert con.sql(
        "SELECT station, count(*) FROM weather_day WHERE field IS NULL GROUP BY station"
    ).fetchall() == [("station T", DAYS - 4)]
    invented.put_setup(con, {"station_spell": setup["station_spell"]})
    derive.derive(con)
    assert checksum.total(con) == quiet(invented.scratch())


def test_a_change_of_the_day_start_makes_all_again(con: duckdb.DuckDBPyConnection) -> None:
    quiet(con)
    farm = invented.setup()["farm"].with_columns(day_starts_h=9.0)
    invented.put_setup(con, {"farm": farm})
    derive.derive(con)
    moved = checksum.total(con)
    other = invented.scratch()
    invented.put_setup(other, {"farm": farm})
    assert quiet(other) == moved
    # No row of the old day is left over.
    assert con.sql("SELECT max(day) FROM weather_day").fetchall() == [
        (invented.FIRST + timedelta(days=DAYS - 1),)
    ]


def test_readings_that_go_take_their_daily_rows_along(con: duckdb.DuckDBPyConnection) -> None:
    quiet(con)
    days = con.sql("SELECT DISTINCT probe AS instrument, 'probe' AS kind, day FROM soil_day").pl()
    with warehouse.transaction(con):
        warehouse.replace(con, TABLES["soil_reading"], invented.frame("soil_reading", []))
        waiting_days.touch(con, days)
    derive.derive(con)
    assert con.sql("SELECT count(*) FROM soil_day").fetchall() == [(0,)]


def test_a_new_version_of_the_program_makes_all_again(con: duckdb.DuckDBPyConnection) -> None:
    quiet(con)
    con.execute("UPDATE weather_day SET rain_mm = 99")
    assert derive.derive(con).days == 0
    con.execute("DELETE FROM used.made")
    assert derive.derive(con).days > 0
    assert con.sql("SELECT count(*) FROM weather_day WHERE rain_mm = 99").fetchall() == [(0,)]


def test_without_a_setup_it_says_what_to_do(con: duckdb.DuckDBPyConnection) -> None:
    con.execute("DELETE FROM farm")
    with pytest.raises(UserError, match="checkstrip collect"):
        derive.derive(con)


@pytest.mark.parametrize("starts", [0.0, 9.0, 9 + 20 / 60, 18.5])
def test_the_day_in_sql_is_the_day_of_the_transforms(
    con: duckdb.DuckDBPyConnection, starts: float
) -> None:
    farm = invented.setup()["farm"].with_columns(day_starts_h=starts)
    rows = invented.weather("station T", 3, step_h=6)
    rows = rows.with_columns(pl.col("time") + pl.duration(minutes=30 * (starts % 1) * 2))
    invented.put(con, {"weather_reading": rows})
    invented.put_setup(con, {"farm": farm})
    in_sql = con.sql(
        f"SELECT {waiting_days.day_in_sql('r.time')} AS day FROM weather_reading r ORDER BY time"
    ).pl()
    expected = rows.select(calendar_day.day_of(pl.col("time"), farm).alias("day"))
    assert in_sql.equals(expected)
    assert rows["time"].dt.hour().is_in([0, 6, 12, 18]).all()


def test_windows_join_neighbouring_days_and_split_at_gaps() -> None:
    farm = invented.setup()["farm"]
    first = invented.FIRST
    days = pl.DataFrame(
        {
            "instrument": ["a", "a", "a", "b"],
            "day": [first, first + timedelta(days=1), first + timedelta(days=3), first],
        }
    )
    spans = waiting_days.windows(days, farm)
    hours = [(u - a).total_seconds() / 3600 for _, a, u in spans.rows()]
    assert hours == [48, 24, 24]
    assert spans["after"][0].hour == 6


def test_margin_widens_by_days() -> None:
    days = pl.DataFrame({"instrument": ["a"], "day": [invented.FIRST]})
    assert waiting_days.widened(days, 2)["day"].to_list() == [
        invented.FIRST + timedelta(days=d) for d in (-2, -1, 0, 1, 2)
    ]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(-1e5, 1e5, allow_subnormal=False), min_size=2, max_size=40),
    st.integers(0, 1000),
)
def test_the_order_of_a_sum_does_not_show(numbers: list[float], seed: int) -> None:
    stored = pl.DataFrame({"x": numbers}).select(making.settled(pl.col("x")))["x"].to_numpy()
    shuffled = np.random.default_rng(seed).permutation(stored)
    means = [sum(stored.tolist()) / len(stored), sum(shuffled.tolist()) / len(stored)]
    rounded = pl.DataFrame({"x": means}).select(making.settled(pl.col("x")))["x"]
    assert rounded[0] == rounded[1]
    assert rounded[0] == pytest.approx(means[0], abs=1e-9, rel=1e-11)


def test_settled_numbers_stay_as_they_are() -> None:
    given_ = [0.1, 25.4, -3.2, 0.0, -0.0, 1e-17, 6725.11, 123456.789, 1e9 + 0.5, None]
    once = pl.DataFrame({"x": given_}).select(making.settled(pl.col("x")))["x"]
    assert once.to_list() == [0.1, 25.4, -3.2, 0.0, 0.0, 0.0, 6725.11, 123456.789, 1e9 + 0.5, None]
    twice = pl.DataFrame({"x": once}).select(making.settled(pl.col("x")))["x"]
    assert twice.equals(once)


@pytest.mark.parametrize("gap_d", [0, 5])
@pytest.mark.parametrize("fault", [0.0, 40.0, 900.0])
def test_a_counter_fault_that_arrives_in_any_order_is_no_rain(
    con: duckdb.DuckDBPyConnection, fault: float, gap_d: int
) -> None:
    """The reading before a fault, the faulty one and the one after it may come in any order."""
    days = 5 + 2 * gap_d
    rows = (
        invented.weather("station T", days, step_h=6)
        .sort("time")
        .with_columns(
            rain_mm=pl.lit(None, pl.Float64),
            rain_counter_rolls_at_mm=pl.lit(None, pl.Float64),
            at=pl.int_range(pl.len()),
        )
    )
    middle = rows.height // 2
    true = 113 + pl.col("at") * 0.2
    rows = rows.filter(
        (pl.col("at") == middle) | ((pl.col("at") - middle).abs() > 4 * gap_d)
    ).with_columns(rain_counter_mm=pl.when(pl.col("at") == middle).then(fault).otherwise(true))
    parts = {
        "before": rows.filter(pl.col("at") < middle).drop("at"),
        "fault": rows.filter(pl.col("at") == middle).drop("at"),
        "after": rows.filter(pl.col("at") > middle).drop("at"),
    }
    sums = set()
    for arrival in permutations(parts):
        other = invented.scratch()
        for part in arrival:
            invented.put(other, {"weather_reading": parts[part]})
            derive.derive(other)
        sums.add(checksum.total(other))
        ((rain,),) = other.sql("SELECT sum(rain_mm) FROM weather_day").fetchall()
        assert rain < 0.2 * rows.height
    assert len(sums) == 1
