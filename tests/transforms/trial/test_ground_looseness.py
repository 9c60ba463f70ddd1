"""ground_looseness: both strips by year since the work, workings beside ground never worked."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from tests.transforms import invented_trial
from tests.transforms.frames import check, rows
from transforms.trial import ground_looseness


def push(strip: str, day: date, cone: dict[float, float], place: str = "1") -> list[dict[str, Any]]:
    return [
        {
            "field": "north",
            "strip": strip,
            "day": day,
            "place": place,
            "depth_cm": depth,
            "cone_index_mpa": value,
        }
        for depth, value in cone.items()
    ]


def worked(day: str, strip: str = "treated", **more: Any) -> dict[str, Any]:
    row = {"field": "north", "strip": strip, "day": date.fromisoformat(day), "working": 1}
    row |= {"practice": invented_trial.PRACTICE, "depth_cm": 30.0, "fuel_l_ha": 20.0}
    return row | {"speed_km_h": 6.0, "coverage": 1.0, "partial": False} | more


def pair(day: date, treated: float | None, against: float | None, **more: Any) -> dict[str, Any]:
    row = {
        "field": "north",
        "day": day,
        "what": "infiltration rate",
        "layer": "all",
        "unit": "mm/h",
    }
    row |= {"treated_value": treated, "check_value": against, "practice": invented_trial.PRACTICE}
    row |= {"treated_places": 1, "check_places": 1, "check_worked": False, "coverage": 1.0}
    return row | {"operation_day": date(2020, 10, 1), "partial": False} | more


def derive(works, pushes=(), pairs=()):
    out = ground_looseness.derive(
        operation_fuel=rows("operation_fuel", works),
        penetrometer=rows("penetrometer", [one for several in pushes for one in several]),
        observation_pair=rows("observation_pair", list(pairs)),
        field=invented_trial.fields("north"),
    )
    check(out, "ground_looseness")
    return out.to_dicts()


WORK = [worked("2020-10-01")]
SOFT, HARD = (
    {10.0: 0.5, 20.0: 1.0, 30.0: 1.5, 45.0: 9.0},
    {10.0: 1.0, 20.0: 2.0, 30.0: 3.0, 45.0: 9.0},
)


def test_cone_index_is_the_mean_down_to_the_working_depth_of_both_strips() -> None:
    """Places of 1 and 3 MPa at 20 cm have a median of 2; means over 10, 20, 30 cm: 1 and 2 MPa."""
    day = date(2021, 5, 24)
    high = {depth: value + 1 for depth, value in HARD.items()}
    low = {depth: value - 1 for depth, value in HARD.items()}
    (row,) = derive(
        WORK, [push("treated", day, SOFT), push("check", day, high), push("check", day, low, "2")]
    )
    assert (row["treated_cone_index_mpa"], row["check_cone_index_mpa"]) == (1.0, 2.0)
    assert (row["cone_index_pct"], row["cone_to_cm"], row["year"]) == (-50.0, 30.0, 1)
    assert (row["coverage"], row["reason"], row["cone_index_before_pct"]) == (1.0, None, None)


def test_the_years_since_the_work_and_what_was_before_it() -> None:
    """Before: 0.9 of the check at every depth; the day of the work itself is before it."""
    almost = {depth: 0.9 * value for depth, value in HARD.items()}
    days = [date(2020, 10, 1), date(2021, 9, 30), date(2022, 10, 2)]
    pushes = [push("check", day, HARD) for day in days]
    pushes += [
        push("treated", day, cone) for day, cone in zip(days, (almost, SOFT, SOFT), strict=True)
    ]
    found = derive(WORK, pushes)
    assert [(row["year"], row["cone_index_pct"]) for row in found] == [(1, -50.0), (3, -50.0)]
    assert all(row["cone_index_before_pct"] == pytest.approx(-10) for row in found)


def test_one_strip_alone_is_said_and_a_worked_check_no_longer_counts() -> None:
    day = date(2021, 5, 24)
    (row,) = derive(WORK, [push("treated", day, SOFT)])
    assert (row["cone_index_pct"], row["coverage"], row["partial"]) == (None, 0.0, True)
    assert row["reason"] == "cone index in one strip only"
    both = [push("treated", day, SOFT), push("check", day, HARD)]
    assert derive([*WORK, worked("2021-04-01", "check")], both) == []


def test_infiltration_by_year_in_one_unit() -> None:
    seen = [
        pair(date(2019, 6, 1), 10.0, 10.0, operation_day=None),
        pair(date(2021, 6, 1), 30.0, 10.0),
        pair(date(2021, 7, 1), 10.0, 10.0),
        pair(date(2021, 7, 1), 4.0, 9.0, what="plant height"),
        pair(date(2022, 6, 1), 9.0, None),
    ]
    first, second = derive(WORK, pairs=seen)
    assert (first["treated_infiltration"], first["check_infiltration"]) == (20.0, 10.0)
    assert (first["infiltration_unit"], first["infiltration_pct"], first["days_seen"]) == (
        "mm/h",
        100.0,
        2,
    )
    assert first["infiltration_before_pct"] == 0.0
    assert (second["year"], second["reason"]) == (2, "infiltration in one strip only")


def test_a_repeat_is_compared_with_the_first_working_or_with_the_check_strip_on_that_day() -> None:
    again = worked("2023-08-30", working=2, fuel_l_ha=18.0, speed_km_h=6.6)
    (row,) = derive([*WORK, again])
    assert (row["operation_day"], row["year"]) == (date(2020, 10, 1), 3)
    assert (row["worked_against"], row["fuel_pct"]) == ("first working", pytest.approx(-10))
    assert row["speed_pct"] == pytest.approx(10)
    beside = worked("2023-08-30", "check", fuel_l_ha=24.0, speed_km_h=5.5)
    (row,) = derive([*WORK, again, beside])
    assert (row["worked_against"], row["fuel_against_l_ha"]) == ("check strip on that day", 24.0)
    assert (row["fuel_pct"], row["speed_pct"]) == (pytest.approx(-25), pytest.approx(20))


def test_workings_of_another_depth_are_not_compared() -> None:
    (row,) = derive([*WORK, worked("2023-08-30", working=2, depth_cm=26.0, fuel_l_ha=15.0)])
    assert (row["fuel_l_ha"], row["fuel_pct"], row["speed_pct"]) == (15.0, None, None)
    assert "differ in depth" in row["reason"]


def test_without_work_there_is_nothing_to_ask() -> None:
    day = date(2021, 5, 24)
    assert derive([], [push("treated", day, SOFT), push("check", day, HARD)]) == []


def test_the_order_of_the_workings_does_not_matter() -> None:
    works = [worked("2020-10-01"), worked("2022-10-01", depth_cm=20.0, fuel_l_ha=15.0)]
    pushes = [
        push(side, date(year, 5, 24), cone)
        for year in (2021, 2023)
        for side, cone in (("treated", SOFT), ("check", HARD))
    ]
    assert derive(works[::-1], pushes[::-1]) == derive(works, pushes)
    depths = [row["cone_to_cm"] for row in derive(works[::-1], pushes) if row["cone_to_cm"]]
    assert depths == [30.0, 20.0]
