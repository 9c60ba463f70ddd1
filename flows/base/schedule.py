"""When a schedule fell due last, and whether it was missed: caught up once, however often it was."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from cronsim import CronSim

# A start noted further ahead than this was noted by a clock that was wrong then.
_AHEAD = timedelta(minutes=2)


def last_due(cron: str, zone: ZoneInfo, now: datetime) -> datetime:
    """The latest time at or before ``now`` that a cron expression names, by the clock of ``zone``."""
    just_after = now + timedelta(microseconds=1)
    return next(CronSim(cron, just_after.astimezone(zone), reverse=True)).astimezone(UTC)


def is_missed(cron: str, zone: ZoneInfo, began: datetime | None, now: datetime) -> bool:
    """Whether a due time has passed since the work last began (None: never)."""
    return began is None or is_ahead(began, now) or began < last_due(cron, zone, now)


def is_ahead(began: datetime, now: datetime) -> bool:
    """Whether a start was noted by a clock that was ahead; then it says nothing."""
    return began > now + _AHEAD
