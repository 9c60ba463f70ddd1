from datetime import date
from typing import Any

import pytest

from schemas import made
from schemas.catalogue import TABLES
from tests.transforms.frames import check, rows
from transforms import root_lead

KEY = {
    "field": "f",
    "season": 2024,
    "depth_cm": 50.0,
    "crop": "w",
    "coverage": 0.9,
    "partial": False,
}


def reached(strip: str, early: int, day: int, late: int) -> dict[str, Any]:
    return {
        **KEY,
        "strip": strip,
        "state": "reached",
        "earliest_day": date(2024, 7, early),
        "day": date(2024, 7, day),
        "latest_day": date(2024, 7, late),
    }


def not_seen(strip: str, quiet: date | None) -> dict[str, Any]:
    return {
        **KEY,
        "strip": strip,
        "state": "not seen",
        "quiet_until_day": quiet,
        "watched_to_day": date(2024, 8, 20),
        "reason": "no sustained uptake was seen",
    }


def lead(*arrivals: dict[str, Any]) -> dict[str, Any]:
    frame = root_lead.derive(rows("root_arrival", arrivals))
    check(frame, "root_lead")
    assert frame.height == 1
    return frame.row(0, named=True)


def test_check_minus_treated_with_both_intervals() -> None:
    row = lead(reached("treated", 1, 6, 10), reached("check", 13, 16, 28))
    assert row["lead_d"] == 10
    # low end: check 3 days earlier and treated 4 later, the root of 9 + 16
    assert row["lead_low_d"] == pytest.approx(10 - 5)
    # high end: check 12 days later and treated 5 earlier, the root of 144 + 25
    assert row["lead_high_d"] == pytest.approx(10 + 13)
    assert row["known"] == "both"
    assert row["reason"] is None
    assert not row["partial"]


def test_a_check_that_was_first_has_a_negative_lead() -> None:
    assert lead(reached("treated", 13, 16, 20), reached("check", 3, 6, 10))["lead_d"] == -10


def test_only_the_treated_strip_gives_a_lower_bound() -> None:
    row = lead(reached("treated", 3, 6, 10), not_seen("check", date(2024, 8, 1)))
    assert row["lead_d"] is None
    assert row["lead_low_d"] == 22  # quiet to 1 August, treated by 10 July at the latest
    assert row["lead_high_d"] is None
    assert row["known"] == "treated only"
    assert row["partial"]
    assert row["reason"] == "check: no sustained uptake was seen"


def test_only_the_check_strip_gives_an_upper_bound() -> None:
    row = lead(not_seen("treated", date(2024, 8, 1)), reached("check", 3, 6, 10))
    assert (row["lead_low_d"], row["lead_high_d"], row["known"]) == (None, -22, "check only")


def test_nothing_is_claimed_of_a_strip_that_was_not_watched_or_not_quiet() -> None:
    out = {**KEY, "strip": "check", "state": "probe out", "partial": True, "reason": "out"}
    assert lead(reached("treated", 3, 6, 10), out)["lead_low_d"] is None
    assert lead(reached("treated", 3, 6, 10), not_seen("check", None))["lead_low_d"] is None
    alone = lead(reached("treated", 3, 6, 10))
    assert alone["lead_low_d"] is None
    assert alone["reason"] == "check: no sensor at this depth"


def test_before_the_record_bounds_by_its_latest_day() -> None:
    before = {**KEY, "strip": "treated", "state": "before the record", "latest_day": date(2024, 6, 20), "partial": True, "reason": "early"}  # fmt: skip
    row = lead(before, reached("check", 3, 6, 10))
    assert row["lead_d"] is None
    assert row["lead_low_d"] == 13  # 3 July less 20 June
    assert row["known"] == "both"


def test_empty() -> None:
    check(root_lead.derive(made.empty(TABLES["root_arrival"])), "root_lead")
