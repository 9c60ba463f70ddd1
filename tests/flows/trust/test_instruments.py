"""Instruments by the clock: what status says of silent ones and of what health found."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest

from flows.store import warehouse
from flows.trust import instruments
from schemas.catalogue import TABLES
from tests.flows import invented

DAYS = 20
HEARD = invented.times(DAYS, invented.FIRST, 24)[-1]
NAMES = [f"s{i:02}" for i in range(16)]


def spells(**changes: Any) -> pl.DataFrame:
    given = {"from_day": invented.FIRST, "field": "Home", "strip": "check"} | changes
    return invented.frame("station_spell", [{"station": s, **given} for s in NAMES])


def weather() -> pl.DataFrame:
    return pl.concat(invented.weather(s, DAYS, step_h=6) for s in NAMES)


@pytest.fixture
def con(tmp_path: Path) -> Any:
    folder = invented.folder_at(tmp_path)
    with warehouse.open_writer(folder) as con:
        invented.put_setup(con, {"farm": invented.setup()["farm"], "station_spell": spells()})
        invented.put(con, {"weather_reading": weather()})
        yield con


def put(con: duckdb.DuckDBPyConnection, name: str, rows: pl.DataFrame) -> None:
    with warehouse.transaction(con):
        warehouse.replace(con, TABLES[name], rows)


def said(con: duckdb.DuckDBPyConnection, days: float) -> list[str]:
    """Sentences so many days after the last reading."""
    now = HEARD + timedelta(days=days)
    return instruments.attention(con, instruments.last_heard(con, now))


def health(con: duckdb.DuckDBPyConnection, *rows: dict[str, Any]) -> None:
    usual = {
        "kind": "station",
        "instrument": "s00",
        "part": "whole",
        "finding": "silent",
        "from_day": invented.FIRST,
        "to_day": HEARD.date(),
        "state": "found",
        "severity": "hands",
        "current": True,
        "advice": "Do this.",
        "coverage": 1.0,
        "partial": False,
    }
    put(con, "station_health", invented.frame("station_health", [usual | row for row in rows]))


def test_sixteen_stations_silent_since_one_day_are_one_sentence(con: Any) -> None:
    assert said(con, 1.5) == []
    (sentence,) = said(con, 40)
    assert sentence.startswith(
        "16 stations (s00, s01, s02, s03, s04, s05 and 10 more) have sent no values since "
        f"{HEARD.date()} (40 days)."
    )


def test_one_silent_station_is_named_by_itself(con: Any) -> None:
    put(
        con,
        "weather_reading",
        weather().filter(
            (pl.col("station") != "s03") | (pl.col("time") < HEARD - timedelta(days=9))
        ),
    )
    (sentence,) = said(con, 1)
    assert sentence.startswith("The station s03 has sent no values since 2024-04-1")
    assert "Check its power" in sentence


def test_empty_cells_and_a_battery_are_no_values(con: Any) -> None:
    late = pl.col("time") > HEARD - timedelta(days=9)
    measured = ("air_temp_c", "relative_humidity_pct", "rain_counter_mm")
    put(
        con,
        "weather_reading",
        weather().with_columns(
            pl.when(~late | (pl.col("station") != "s03")).then(c).alias(c) for c in measured
        ),
    )
    (sentence,) = said(con, 1)
    assert sentence.startswith("The station s03 has sent no values since 2024-04-1")


def test_of_instruments_heard_lately_long_ago_and_never_each_has_its_own_moment(con: Any) -> None:
    ages = {"s03": timedelta(days=400), "s04": timedelta(days=59), "s05": timedelta(days=61)}
    age = pl.col("station").replace_strict(
        ages, default=timedelta(0), return_dtype=pl.Duration("us")
    )
    rows = weather().with_columns(pl.col("time") - age)
    never = pl.col("station") == "s06"
    measured = ("air_temp_c", "relative_humidity_pct", "rain_counter_mm")
    rows = rows.with_columns(pl.when(~never).then(c).alias(c) for c in measured)
    put(con, "weather_reading", rows)
    heard = {one["instrument"]: one["last_heard"] for one in instruments.last_heard(con, HEARD)}
    expected = {s: f"{HEARD - ages.get(s, timedelta(0)):%Y-%m-%dT%H:%M:%SZ}" for s in NAMES}
    assert heard == expected | {"s06": None}


def test_a_habit_of_months_is_no_silence(con: Any) -> None:
    health(con, *({"instrument": s, "state": "good", "silent_after_d": 60.0} for s in NAMES))
    assert said(con, 40) == []
    assert len(said(con, 70)) == 1


@pytest.mark.parametrize("changes", [{"to_day": HEARD.date()}, {"field": None, "strip": None}])
def test_an_ended_spell_and_a_record_without_a_field_are_never_silent(
    con: Any, changes: dict[str, Any]
) -> None:
    put(con, "station_spell", spells(**changes))
    assert said(con, 400) == []


def test_a_spell_that_has_just_begun_is_given_its_time(con: Any) -> None:
    again = (HEARD + timedelta(days=39)).date()
    put(con, "station_spell", spells(from_day=again))
    assert said(con, 40) == []
    assert len(said(con, 45)) == 1


def test_one_that_never_came_is_named_once_it_should_stand(con: Any) -> None:
    new = spells().with_columns(station="new" + pl.col("station")).head(1)
    put(con, "station_spell", new)
    assert said(con, 1) == [
        "The station news00 has never reported. "
        "Look whether its files arrive and whether its name is in a source of farm.toml."
    ]
    put(con, "station_spell", new.with_columns(from_day=pl.lit(date(2030, 1, 1))))
    assert said(con, 1) == []


def test_findings_of_the_highest_severity_are_said_once_for_all_that_share_them(con: Any) -> None:
    stuck = {"finding": "stuck", "part": "wind"}
    health(
        con,
        stuck,
        stuck | {"instrument": "s01"},
        stuck | {"instrument": "s01", "part": "humidity"},
        {"finding": "gap", "severity": "watch"},
        {"finding": "clock", "current": False},
        {"finding": "gauge dry", "part": "rain gauge", "instrument": "unknown"},
    )
    assert said(con, 1) == [
        "The station s00 (wind); the station s01 (humidity, wind): stuck since 2024-04-01. Do this."
    ]


def test_what_was_found_before_an_instrument_fell_silent_is_old_but_a_failing_battery(
    con: Any,
) -> None:
    health(
        con, {"finding": "stuck", "part": "wind"}, {"finding": "battery failing", "part": "battery"}
    )
    sentences = said(con, 40)
    assert len(sentences) == 2
    assert sentences[1] == "The station s00 (battery): battery failing since 2024-04-01. Do this."


def test_the_clock_is_utc_whatever_the_zone(con: Any) -> None:
    heard = instruments.last_heard(con, HEARD.astimezone(UTC))
    assert {row["silent_h"] for row in heard} == {0}
    assert datetime.fromisoformat(heard[0]["last_heard"]) == HEARD


def test_a_flagged_value_was_sent_and_a_finding_comes_with_its_cause(con: Any) -> None:
    late = pl.col("time") > HEARD - timedelta(days=9)
    gone = weather().filter((pl.col("station") != "s03") | ~late)
    put(con, "weather_reading", gone)
    flagged = {"instrument": "s03", "depth_cm": -1.0, "quantity_column": "air_temp_c"}
    flagged |= {"value": 3.0, "flag": "S", "meaning": "suspect", "time": HEARD}
    put(con, "flagged_reading", invented.frame("flagged_reading", [flagged]))
    finding = {"instrument": "s03", "finding": "flagged as suspect", "part": "air temperature"}
    health(con, finding | {"cause": "by its own network or logger: S"})
    assert said(con, 1) == [
        "The station s03 (air temperature): flagged as suspect since 2024-04-01 "
        "(by its own network or logger: S). Do this."
    ]


def test_what_the_field_book_sets_aside_is_a_line_and_no_attention(con: Any) -> None:
    aside = {"finding": "set aside", "severity": "watch", "part": "wind", "cause": "cup lost"}
    health(con, aside, aside | {"instrument": "s01", "current": False})
    assert said(con, 1) == []
    assert instruments.set_aside(con) == [
        "The station s00 (wind) is set aside by the field book since 2024-04-01: cup lost."
    ]


@pytest.mark.parametrize("habit_d", [2.0, 60.0])
def test_an_instrument_is_silent_from_the_moment_that_was_named(con: Any, habit_d: float) -> None:
    health(con, *({"instrument": s, "state": "good", "silent_after_d": habit_d} for s in NAMES))
    moments = [
        datetime.fromisoformat(row["silent_from"])
        for row in instruments.last_heard(con, HEARD + timedelta(days=1))
        if row["kind"] == "station"
    ]
    assert set(moments) == {HEARD + timedelta(days=habit_d)}
    just = timedelta(minutes=10)  # silence is counted in tenths of an hour
    for beside, silent in ((-just, False), (just, True)):
        heard = instruments.last_heard(con, moments[0] + beside)
        assert {row["silent"] for row in heard if row["kind"] == "station"} == {silent}


@pytest.mark.parametrize("changes", [{"to_day": HEARD.date()}, {"field": None, "strip": None}])
def test_one_that_is_never_silent_has_no_such_moment(con: Any, changes: dict[str, Any]) -> None:
    put(con, "station_spell", spells(**changes))
    heard = instruments.last_heard(con, HEARD + timedelta(days=400))
    assert {row["silent_from"] for row in heard if row["kind"] == "station"} == {None}
