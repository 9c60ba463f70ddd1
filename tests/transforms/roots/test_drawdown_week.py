from datetime import date, timedelta

import pytest

from tests.transforms.frames import rows
from transforms.roots import drawdown_week

MONDAY = date(2025, 6, 2)


def day(i, strip="treated", **changes):
    return {
        "field": "Home",
        "strip": strip,
        "probe": strip,
        "depth_cm": 40.0,
        "day": MONDAY + timedelta(days=i),
        "season": 2025,
        "uptake_mm": 1.5,
        "uptake_error_mm": 0.3,
        "both_strips": True,
    } | changes


def test_only_days_of_both_strips_count():
    given = [day(i) for i in range(5)]
    given += [day(5, both_strips=False), day(6, uptake_mm=None, both_strips=False)]
    (week,) = drawdown_week.derive(drawdown_day=rows("drawdown_day", given)).to_dicts()
    assert week["uptake_mm"] == 7.5
    assert week["uptake_error_mm"] == pytest.approx(0.3 * 5**0.5)
    assert (week["days"], week["days_week"]) == (5, 7)
    assert week["partial"] is True
    assert "5 of 7" in week["reason"]


def test_a_week_without_common_days_is_null_and_between_crops_there_is_no_row():
    given = [day(0, both_strips=False), day(1, season=None)]
    (week,) = drawdown_week.derive(drawdown_day=rows("drawdown_day", given)).to_dicts()
    assert week["uptake_mm"] is None
    assert week["coverage"] == 0.0
    assert week["reason"]


def test_weeks_depths_and_strips_stand_apart():
    given = [day(i, strip) for i in range(8) for strip in ("treated", "check")]
    found = drawdown_week.derive(drawdown_day=rows("drawdown_day", given))
    assert found.height == 4
    assert found["partial"].to_list() == [False] * 4
    assert set(found["week_starts"]) == {MONDAY, MONDAY + timedelta(days=7)}
