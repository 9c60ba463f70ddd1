"""Check what lies in files: the archive against its receipts, backups against their lists."""

from datetime import datetime
from pathlib import Path

import duckdb

from flows.base.errors import UserError
from flows.base.progress import Tick, silent
from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.store.backup_objects import Damaged, reachable, remembered
from flows.trust import archive_check
from flows.trust.audit.expectations import Result
from flows.trust.backup.backup_folder import Store

THERE = "every archived file is there"
AS_RECEIVED = "archived files are as they were received"
AS_STORED = "backups are as they were stored"


def results(
    folder: FarmFolder, con: duckdb.DuckDBPyConnection, now: datetime, tick: Tick = silent
) -> dict[str, tuple[Result, str]]:
    """Return what came of each expectation, and what it means if it does not hold.

    ``con`` is open on the published copy. All files are looked for; the shares of the days since
    the last audit are read, so that every file is read within ``archive_check.SHARES`` days.
    """
    repair = archive_check.repair(folder)
    archive = archive_check.read(folder, con)
    shares = archive_check.shares_due(_last(con), now)
    tick("reading the archive", 0, 1)
    read, damaged = archive_check.read_share(archive, shares)
    tick("reading the backups", 0, 1)
    stored, lost = _read_backups(folder, shares)
    missing = archive_check.missing(archive)
    looked = len(list(archive.files()))
    return {
        THERE: (
            _result(looked, missing),
            "Files of the archive are missing or cut. What they hold cannot be measured again. "
            f"Repair them from a backup: {repair}",
        ),
        AS_RECEIVED: (
            _result(read, damaged),
            "Files of the archive are not what was received: a disk fails, or somebody changed "
            f"them. Repair them from a backup: {repair}",
        ),
        AS_STORED: (
            _result(stored, lost),
            "Files of backups are missing or damaged: a restore would lack them. Store again what "
            f"the farm folder still has: {repair}. If it does not help, another backup may be whole.",
        ),
    }


def _last(con: duckdb.DuckDBPyConnection) -> datetime | None:
    """Return when the archive was last read by an audit."""
    last: datetime | None = con.execute(
        "SELECT max(audited_at) FROM audit_result WHERE expectation = ?", [AS_RECEIVED]
    ).fetchall()[0][0]
    return last


def _result(looked: int, sentences: list[str]) -> Result:
    return Result(looked, len(sentences), tuple(sentences[:5]))


def _read_backups(folder: FarmFolder, shares: set[int]) -> tuple[int, list[str]]:
    """Return how many files of backups were read, and what is wrong with them and with lists."""
    looked, wrong = 0, list[str]()
    for place in reachable(folder, _place(folder)):
        store = Store(place.root)
        backups, unreadable = store.backups()
        wrong += unreadable
        good = remembered(folder).good
        if good and Path(good.to) == place.root and not (place.root / f"{good.name}.json").exists():
            wrong.append(f"The backup {good.name} is missing in {place.root}")
        entries = {entry.sha256: entry for one in backups for entry in one.files}
        chosen = [
            entry for sha256, entry in entries.items() if archive_check.share(sha256) in shares
        ]
        looked += len(chosen) + len(unreadable)
        for entry in chosen:
            try:
                store.check(entry)
            except (Damaged, OSError) as trouble:
                wrong.append(f"{trouble} in {place.root}")
    return looked, wrong


def _place(folder: FarmFolder) -> str | None:
    try:
        farm = farm_file.load(folder.farm_toml)
    except UserError:
        return None  # the runs that it stopped report it
    return farm.backup.to if farm.backup else None
