"""Hashes that are kept from one derive to the next are those of the rows that are stored."""

from collections.abc import Iterator
from datetime import date, timedelta

import duckdb
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flows.derive import hashed as hashed_module
from flows.derive.hashed import By, Hashed
from flows.store import warehouse
from schemas import generated
from schemas.catalogue import TABLES
from tests.flows import invented

SOIL, RESPONSE = TABLES["soil_day"], TABLES["capture_season"]
WAYS = (By("probe", month=True), By("field", month=True), By(month=True), By("probe"))
FIRST = date(2023, 12, 20)


@pytest.fixture(autouse=True, scope="module")
def _few_rows_are_many() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(hashed_module, "FEW_ROWS", -1)
        yield


def rows(values: dict[tuple[str, int], float]) -> pl.DataFrame:
    frame = pl.DataFrame(
        {
            "probe": [probe for probe, _ in values],
            "day": [FIRST + timedelta(days=day) for _, day in values],
            "vwc_mean_pct": list(values.values()),
        },
        schema={"probe": pl.String, "day": pl.Date, "vwc_mean_pct": pl.Float64},
    ).with_columns(depth_cm=10.0, field=pl.lit("F"), strip=pl.lit("check"))
    return generated.conform(frame, SOIL).sort(SOIL.key)


def anew(con: duckdb.DuckDBPyConnection, way: By) -> pl.DataFrame:
    other = Hashed(con, "another program")
    return other.of(SOIL.name, way).sort("place", "month")


states = st.dictionaries(
    st.tuples(st.sampled_from(["a", "b"]), st.integers(0, 60)),
    st.sampled_from([1.0, 2.0]),
    max_size=9,
)


@settings(max_examples=25, deadline=None)
@given(st.lists(states, min_size=2, max_size=5))
def test_kept_hashes_follow_what_is_written(after: list[dict[tuple[str, int], float]]) -> None:
    con = invented.scratch()
    before = rows({})
    hashed = Hashed(con, "p")
    for values in after:
        now = rows(values)
        differing = warehouse.update(con, SOIL, before, now)
        hashed.written(SOIL.name, differing)
        kept = [hashed.of(SOIL.name, way).sort("place", "month") for way in WAYS]
        whole = hashed.whole(SOIL.name)
        for way, found in zip(WAYS, kept, strict=True):
            assert found.equals(anew(con, way))
        assert Hashed(con, "p").whole(SOIL.name) == whole
        hashed, before = Hashed(con, "p"), now


def test_one_row_more_is_seen_whoever_wrote_it(con: duckdb.DuckDBPyConnection) -> None:
    warehouse.insert(con, SOIL, rows({("a", 1): 1.0, ("a", 40): 1.0}))
    by = By("probe", month=True)
    before = Hashed(con).of(SOIL.name, by)
    con.execute("DELETE FROM soil_day WHERE day > '2024-01-01'")
    after = Hashed(con).of(SOIL.name, by)
    assert (before.height, after.height) == (2, 1)


@pytest.mark.parametrize("later", ["day = day - 7", "day = day + 1", "program = 'older'"])
def test_all_are_taken_anew_after_a_week_and_by_another_program(
    con: duckdb.DuckDBPyConnection, later: str
) -> None:
    warehouse.insert(con, SOIL, rows({("a", 1): 1.0}))
    before = Hashed(con).whole(SOIL.name)
    con.execute("UPDATE soil_day SET vwc_mean_pct = 2")
    assert Hashed(con).whole(SOIL.name) == before
    con.execute(f"UPDATE used.hashed_anew SET {later}")
    assert Hashed(con).whole(SOIL.name) != before


def test_the_set_up_is_hashed_each_time(con: duckdb.DuckDBPyConnection) -> None:
    before = Hashed(con).of("season", By("field"))
    con.execute("UPDATE season SET crop = 'barley'")
    assert not Hashed(con).of("season", By("field")).equals(before)


def test_a_table_by_season_is_hashed_anew_when_written(con: duckdb.DuckDBPyConnection) -> None:
    names = [column.name for column in RESPONSE.columns if column.required]
    row = dict.fromkeys(names, 1) | {"field": "F", "strip": "treated", "against": "check"}
    frame = generated.conform(pl.DataFrame([row]), RESPONSE)
    warehouse.insert(con, RESPONSE, frame)
    by = By("field", season=True)
    hashed = Hashed(con)
    before = hashed.of(RESPONSE.name, by)
    con.execute("UPDATE capture_season SET events = 2")
    hashed.written(RESPONSE.name, frame)
    assert not hashed.of(RESPONSE.name, by).equals(before)


def test_a_small_table_is_hashed_each_time(
    con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(hashed_module, "FEW_ROWS", 10)
    warehouse.insert(con, SOIL, rows({("a", 1): 1.0}))
    before = Hashed(con).whole(SOIL.name)
    con.execute("UPDATE soil_day SET vwc_mean_pct = 2")
    assert Hashed(con).whole(SOIL.name) != before
