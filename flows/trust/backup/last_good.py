"""Remember the last good backup: when it was made, whether one is due, whether it is old."""

from __future__ import annotations

from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Literal

from flows.base import schedule
from flows.farm.folder import FarmFolder
from flows.store.backup_objects import Made, Remembered, folder_of, remember, remembered
from schemas.farm.farm import Farm


def target(folder: FarmFolder, farm: Farm) -> Path:
    """Return where backups go: as farm.toml says, else ``backups/`` of the farm folder."""
    return folder_of(folder, farm.backup.to if farm.backup else None)


def last_good(folder: FarmFolder) -> dict[str, Any] | None:
    """Return when, where and by what name the last backup was made that was restored and compared."""
    good = remembered(folder).good
    return asdict(good) if good else None


def was_used(folder: FarmFolder, to: Path) -> bool:
    """Return whether a backup was made in that folder before."""
    return str(to) in remembered(folder).folders


def note(
    folder: FarmFolder,
    to: Path,
    name: str,
    made_at: datetime,
    summary: str,
    *,
    whole: bool = True,
) -> None:
    """Remember a backup that was restored and compared; it is a good one if the archive is whole."""
    known = remembered(folder)
    made = Made(made_at.isoformat(), str(to), name, summary)
    folders = (*(one for one in known.folders if one != str(to)), str(to))
    remember(folder, Remembered(made, made if whole else known.good, folders))


def is_due(folder: FarmFolder, farm: Farm, now: datetime) -> bool:
    """Return whether farm.toml wants backups and one came due since the last one."""
    if farm.backup is None:
        return False
    made_at = _made_at(folder, "last") or _made_at(folder)
    return schedule.is_missed(farm.backup.schedule, farm.place.zone, made_at, now)


def attention(folder: FarmFolder, farm: Farm, now: datetime) -> list[str]:
    """Return a sentence if backups are wanted and the last good one is too old, or there is none."""
    if farm.backup is None:
        return []
    made_at = _made_at(folder)
    if made_at is None:
        what = "complete backup" if _made_at(folder, "last") else "backup"
        return [f"No {what} was made yet; it goes to {farm.backup.to}. Try: checkstrip backup"]
    zone, cron = farm.place.zone, farm.backup.schedule
    latest = schedule.last_due(cron, zone, now)
    before = schedule.last_due(cron, zone, latest - timedelta(seconds=1))
    if made_at >= before:
        return []
    days = (now - made_at).total_seconds() / 86_400
    return [
        f"The last good backup is {days:,.1f} days old, and {farm.backup.to} should have a newer "
        "one. The reason stands with the last run of backup. Try: checkstrip backup"
    ]


def _made_at(folder: FarmFolder, which: Literal["good", "last"] = "good") -> datetime | None:
    """Return when the last good backup, or the last of all, was made."""
    made: Made | None = getattr(remembered(folder), which)
    return datetime.fromisoformat(made.at).astimezone(UTC) if made else None
