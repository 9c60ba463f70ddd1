"""When a schedule was due last, and whether that was missed; missed times are made up for once."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from cronsim import CronSim

# A start noted further ahead than this was noted by a clock that was wrong then.
_AHEAD = timedelta(minutes=2)


def last_due(cron: str, zone: ZoneInfo, now: datetime) -> datetime:
    """Return the latest time (UTC) at or before ``now`` of a cron expression, by the clock of ``zone``."""
    just_after = now + timedelta(microseconds=1)
    return next(CronSim(cron, just_after.astimezone(zone), reverse=True)).astimezone(UTC)


def next_due(cron: str, zone: ZoneInfo, now: datetime) -> datetime:
    """Return the first time (UTC) after ``now`` of a cron expression, by the clock of ``zone``."""
    return next(CronSim(cron, now.astimezone(zone))).astimezone(UTC)


def is_missed(cron: str, zone: ZoneInfo, began: datetime | None, now: datetime) -> bool:
    """Return whether a due time has passed since the work last began (None: never)."""
    return began is None or is_ahead(began, now) or began < last_due(cron, zone, now)


def is_ahead(began: datetime, now: datetime) -> bool:
    """Return whether a start was noted by a clock that was ahead; such a note is ignored."""
    return began > now + _AHEAD
