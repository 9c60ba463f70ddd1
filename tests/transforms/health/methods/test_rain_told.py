from typing import Any

import polars as pl

from tests.transforms.frames import rows
from tests.transforms.health.two_strips import DAYS, FIRST, day, health, of, weather


def rain_days(changes: dict[int, dict[str, Any]], station: str = "check") -> pl.DataFrame:
    usual = {"rain_mm": 1.0, "rain_doubtful": False, "gauge_lost": False, "rain_coverage": 1.0}
    return rows(
        "weather_used_day",
        [
            {**usual, "station": s, "rain_from": s, "day": on}
            | (changes.get(i, {}) if s == station else {})
            for s in ("check", "treated")
            for i, on in enumerate(DAYS)
        ],
        field="a",
    )


def doubtful(why: str, mm: float = 400.0) -> dict[str, Any]:
    return {"rain_doubtful": True, "rain_mm": mm, "reason": why}


LOST = {"gauge_lost": True, "rain_mm": None, "reason": "nothing while treated caught rain"}


def one(frame: pl.DataFrame, finding: str) -> dict[str, Any]:
    (row,) = frame.filter((pl.col("finding") == finding) & (pl.col("state") == "found")).to_dicts()
    return row


def test_doubtful_days_of_one_cause_are_one_finding() -> None:
    days = {i: doubtful("too much") for i in (500, 502, 530)} | {530: doubtful("alone")}
    frame = health(weather_used_day=rain_days(days))
    row = one(frame, "rain doubtful")
    assert (row["from_day"], row["to_day"], row["days"]) == (day(500), day(530), 3)
    assert (row["rain_in_question_mm"], row["cause"]) == (1200.0, "too much; alone")
    assert (row["severity"], row["current"], row["part"]) == ("hands", True, "rain gauge")
    apart = health(weather_used_day=rain_days({i: doubtful("too much") for i in (100, 200)}))
    assert [f[2:] for f in of(apart, "rain doubtful")] == [
        (day(100), day(100)),
        (day(200), day(200)),
    ]


def test_a_cause_is_told_once_though_some_of_its_days_were_recorded_in_part() -> None:
    part = LOST | {"reason": LOST["reason"] + "; not all of the day was recorded"}
    frame = health(
        weather_used_day=rain_days({i: part if i == 501 else LOST for i in range(500, 503)})
    )
    assert one(frame, "gauge lost")["cause"] == part["reason"]


def test_impossible_rain_is_a_finding_though_it_was_left_out() -> None:
    days = weather(rain_mm=lambda s, i, v: None if (s, i) == ("check", 520) else v).with_columns(
        rain_impossible_mm=pl.when(station="check", day=day(520)).then(2100.0)
    )
    row = one(health(weather_day=days, weather_used_day=rain_days({})), "rain impossible")
    assert (row["from_day"], row["rain_in_question_mm"]) == (day(520), 2100.0)
    assert row["severity"] == "hands"


def test_a_lost_gauge_is_told_once_with_its_cause() -> None:
    lost = rain_days(dict.fromkeys(range(100, 121), LOST))
    row = one(health(weather_used_day=lost), "gauge lost")
    assert (row["from_day"], row["to_day"], row["days"]) == (day(100), day(120), 21)
    assert row["cause"] == LOST["reason"]
    blocked = weather(rain_mm=lambda s, i, v: v * 0.05 if s == "check" and 91 <= i < 122 else v)
    frame = health(weather_day=blocked, weather_used_day=lost)
    assert of(frame, "gauge lost") == []
    assert one(frame, "gauge blocked")["cause"] == LOST["reason"]


def test_a_gauge_alone_is_not_called_good_at_what_needs_another() -> None:
    state = health(weather_used_day=rain_days({}).filter(station="check")).filter(
        pl.col("finding").is_in(["gauge lost", "rain doubtful"]), instrument="check"
    )
    assert dict(state.select("finding", "state").iter_rows()) == {
        "gauge lost": "not evaluated",
        "rain doubtful": "good",
    }
    assert FIRST in state["from_day"].to_list()
