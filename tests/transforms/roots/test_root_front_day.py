from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms import frames
from tests.transforms.frames import check, rows
from transforms.roots import root_front_day

EMERGED = date(2024, 5, 11)


def season(emerged: date | None = EMERGED) -> pl.DataFrame:
    return rows("season", [frames.season("2024-05-01", "2024-08-31")], emerged=emerged)


def arrival(
    depth: float, after: int | None, quiet: int | None = None, state: str = ""
) -> dict[str, Any]:
    def day(n: int) -> date:
        return EMERGED + timedelta(days=n)

    row: dict[str, Any] = {"field": "f", "season": 2024, "strip": "check", "depth_cm": depth}
    if after is None:
        return {**row, "state": state or "not seen", "quiet_until_day": quiet and day(quiet)}
    return {
        **row,
        "state": "reached",
        "day": day(after),
        "earliest_day": day(after - 5),
        "latest_day": day(after + 5),
    }


def front(*arrivals: dict[str, Any], noted: bool = True) -> pl.DataFrame:
    frame = root_front_day.derive(
        rows("root_arrival", arrivals), season(EMERGED if noted else None)
    )
    check(frame, "root_front_day")
    return frame


def at(frame: pl.DataFrame, after: int) -> dict[str, Any]:
    return frame.filter(pl.col("day") == EMERGED + timedelta(days=after)).row(0, named=True)


def test_straight_between_arrivals_from_the_surface_at_emergence() -> None:
    frame = front(arrival(30.0, 30), arrival(50.0, 40), arrival(100.0, None, 60))
    assert frame["day"].min() == EMERGED
    assert frame["day"].max() == date(2024, 8, 31)
    assert at(frame, 0)["front_cm"] == 0
    assert at(frame, 15)["front_cm"] == pytest.approx(15)
    assert at(frame, 35)["front_cm"] == pytest.approx(40)
    assert at(frame, 90)["front_cm"] == 50
    assert not at(frame, 39)["deepest_passed"]
    assert at(frame, 40)["deepest_passed"]
    assert frame["reason"].null_count() == frame.height


def test_intervals_hold_the_front_and_the_next_depth_bounds_it_while_quiet() -> None:
    frame = front(arrival(30.0, 30), arrival(50.0, 40), arrival(100.0, None, 60))
    told = frame.filter(pl.col("front_high_cm").is_not_null())
    assert (told["front_low_cm"] <= told["front_cm"]).all()
    assert (told["front_cm"] <= told["front_high_cm"]).all()
    assert at(frame, 35)["front_low_cm"] == pytest.approx(30)
    assert at(frame, 30)["front_high_cm"] == pytest.approx(40)
    assert at(frame, 50)["front_high_cm"] == 100
    assert at(frame, 61)["front_high_cm"] is None


def test_an_upper_arrival_is_never_later_than_a_lower_one() -> None:
    frame = front(arrival(30.0, 45), arrival(50.0, 40))
    assert at(frame, 40)["front_cm"] == 50
    assert frame["front_cm"].is_sorted()


def test_nothing_known_is_null_with_a_reason() -> None:
    frame = front(arrival(30.0, None, state="probe out"), arrival(50.0, None, state="not told"))
    assert frame["front_cm"].null_count() == frame.height
    assert frame["partial"].all()
    assert "30, 50 cm" in frame["reason"][0]
    assert frame["coverage"][0] == 0


def test_emergence_not_noted_is_said() -> None:
    frame = front(arrival(30.0, 30), noted=False)
    assert frame["day"].min() == date(2024, 5, 11)
    assert "emergence not noted" in frame["reason"][0]


def test_empty() -> None:
    check(
        root_front_day.derive(
            generated.empty(TABLES["root_arrival"]), generated.empty(TABLES["season"])
        ),
        "root_front_day",
    )
