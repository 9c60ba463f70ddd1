"""Remember the last good backup: when it was made, whether one is due, whether it is old."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from flows.base import files, schedule
from flows.farm.folder import FarmFolder
from flows.store.backup_objects import MEMORY, folder_of
from schemas.farm.farm import Farm


def target(folder: FarmFolder, farm: Farm) -> Path:
    """Return where backups go: as farm.toml says, else ``backups/`` of the farm folder."""
    return folder_of(folder, farm.backup.to if farm.backup else None)


def last_good(folder: FarmFolder) -> dict[str, Any] | None:
    """Return when, where and by what name the last backup was made that was restored and compared."""
    good = files.read_json(folder.state / MEMORY).get("good")
    return good if isinstance(good, dict) else None


def was_used(folder: FarmFolder, to: Path) -> bool:
    """Return whether a backup was made in that folder before."""
    return str(to) in files.read_json(folder.state / MEMORY).get("folders", [])


def note(folder: FarmFolder, to: Path, name: str, made_at: datetime, summary: str) -> None:
    """Remember a good backup."""
    known = files.read_json(folder.state / MEMORY)
    folders = [one for one in known.get("folders", []) if one != str(to)]
    good = {"at": made_at.isoformat(), "to": str(to), "name": name, "told": summary}
    text = json.dumps({"good": good, "folders": [*folders, str(to)]}, indent=1)
    files.write_text(folder.state / MEMORY, text)


def is_due(folder: FarmFolder, farm: Farm, now: datetime) -> bool:
    """Return whether farm.toml wants backups and one came due since the last good one."""
    if farm.backup is None:
        return False
    return schedule.is_missed(farm.backup.schedule, farm.place.zone, _made_at(folder), now)


def attention(folder: FarmFolder, farm: Farm, now: datetime) -> list[str]:
    """Return a sentence if backups are wanted and the last good one is too old, or there is none."""
    if farm.backup is None:
        return []
    made_at = _made_at(folder)
    if made_at is None:
        return [f"No backup was made yet; it goes to {farm.backup.to}. Try: checkstrip backup"]
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


def _made_at(folder: FarmFolder) -> datetime | None:
    good = last_good(folder)
    return datetime.fromisoformat(good["at"]).astimezone(UTC) if good else None
