from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st

from flows.base import schedule

WINNIPEG = ZoneInfo("America/Winnipeg")
NIGHTLY = "10 3 * * *"


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def test_the_last_due_time_is_by_the_farms_clock() -> None:
    # 03:10 in Winnipeg is 09:10 UTC in winter and 08:10 in summer.
    assert schedule.last_due(NIGHTLY, WINNIPEG, utc("2025-01-10 09:09")) == utc("2025-01-09 09:10")
    assert schedule.last_due(NIGHTLY, WINNIPEG, utc("2025-01-10 09:10")) == utc("2025-01-10 09:10")
    assert schedule.last_due(NIGHTLY, WINNIPEG, utc("2025-07-10 08:10")) == utc("2025-07-10 08:10")


def test_a_time_that_the_change_to_daylight_saving_skips_is_due_once() -> None:
    # On 9 March 2025 the clock goes from 02:00 to 03:00.
    cron = "30 2 * * *"
    dues = {
        schedule.last_due(cron, WINNIPEG, utc("2025-03-08 12:00") + timedelta(hours=h))
        for h in range(48)
    }
    assert len(dues) == 3
    assert {(due - timedelta(hours=6)).day for due in dues} == {8, 9, 10}


def test_missed_is_by_the_last_start() -> None:
    now = utc("2025-01-10 12:00")
    missed = lambda began: schedule.is_missed(NIGHTLY, WINNIPEG, began, now)  # noqa: E731
    assert missed(None)
    assert missed(utc("2025-01-10 09:09"))
    assert not missed(utc("2025-01-10 09:11"))
    # Noted when the clock ran a year ahead: it must not hold up the work for a year.
    assert missed(utc("2026-01-10 09:11"))
    assert not missed(now + timedelta(seconds=1))


@given(
    st.datetimes(datetime(2000, 1, 1), datetime(2040, 1, 1)),
    st.sampled_from([NIGHTLY, "*/30 * * * *", "0 6 * * 1", "59 23 28 2 *"]),
)
def test_however_long_it_slept_once_is_enough(naive: datetime, cron: str) -> None:
    now = naive.replace(tzinfo=UTC)
    assert schedule.is_missed(cron, WINNIPEG, now - timedelta(days=400), now)
    assert not schedule.is_missed(cron, WINNIPEG, now, now)
    due = schedule.last_due(cron, WINNIPEG, now)
    assert due <= now
    assert not schedule.is_missed(cron, WINNIPEG, due, now)
    assert schedule.is_missed(cron, WINNIPEG, due - timedelta(microseconds=1), now)


@given(hours=st.integers(0, 400 * 24))
def test_the_next_due_time_is_after_the_last(hours: int) -> None:
    now = utc("2025-01-01 00:00") + timedelta(hours=hours)
    due = schedule.next_due(NIGHTLY, WINNIPEG, now)
    assert now < due <= now + timedelta(hours=25)
    assert schedule.last_due(NIGHTLY, WINNIPEG, due) == due
    assert schedule.last_due(NIGHTLY, WINNIPEG, due - timedelta(seconds=1)) <= now
