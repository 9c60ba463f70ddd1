"""When the disk of the farm folder will be full, at the rate at which files came in lately."""

import shutil
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from flows.farm.folder import FarmFolder
from flows.store.archive_reader import ArchiveReader
from flows.store.receipts import Receipt

HORIZON_D = 365  # a disk that is full sooner is a concern
ADVICE = "Make room, or move the farm folder to a larger disk."
_WINDOWS_D = (90, 365)
# The first day brings files of years at once; a rate needs a week after it.
_FIRST_IMPORT, _SHORTEST_D = timedelta(days=1), 7.0
_DISK_BLOCK = 4096  # bytes that the smallest file takes
# Room for two copies of the warehouse (one published, one on its way) and some to spare.
_COPIES, _LEAST_FREE = 3, 1 << 30


@dataclass(frozen=True, slots=True)
class Growth:
    """Free bytes of the disk, bytes that should stay free, and bytes added a day (null: unknown)."""

    free: int
    reserve: int
    a_day: float | None

    @property
    def days_left(self) -> float | None:
        """Return in how many days only the reserve is free; None if that cannot be known."""
        return max(0.0, self.free - self.reserve) / self.a_day if self.a_day else None

    @property
    def is_concern(self) -> bool:
        """Return whether the disk is full within the horizon."""
        return self.days_left is not None and self.days_left < HORIZON_D

    def sentence(self, now: datetime) -> str:
        """Return how much is free and when the disk is full."""
        free = f"{self.free / 1e9:,.1f} GB of the disk are free"
        if self.a_day is None:
            return f"{free}. Growth is known a week after the first files."
        rate = f"{free}, and {self.a_day * 30 / 1e6:,.1f} MB a month are added"
        left = self.days_left
        if left is None or left > 50 * 365:
            return f"{rate}: enough for more than 50 years."
        full = now + timedelta(days=left)
        return f"{rate}: at this rate the disk is full in {full:%B %Y}."


def of(folder: FarmFolder, archive: ArchiveReader, now: datetime) -> Growth:
    """Return the growth of a farm folder by its receipts of the last 90 and 365 days.

    The faster of the two counts. The warehouse grows with the archive and is there twice.
    """
    warehouse = folder.warehouse_file.stat().st_size if folder.warehouse_file.exists() else 0
    reserve = max(_LEAST_FREE, _COPIES * warehouse)
    free = shutil.disk_usage(folder.root).free
    a_day = _bytes_a_day(archive, now)
    stored = _stored(archive.receipts, archive)
    if a_day is not None and stored:
        a_day *= 1 + 2 * warehouse / stored
    return Growth(free, reserve, a_day)


def _bytes_a_day(archive: ArchiveReader, now: datetime) -> float | None:
    """Return the bytes that the archive grew by a day; None if it is too young."""
    received = [receipt.received_at for receipt in archive.receipts]
    begin = min(received, default=now) + _FIRST_IMPORT
    if (now - begin) / timedelta(days=1) < _SHORTEST_D:
        return None
    rates = []
    for days in _WINDOWS_D:
        since = max(begin, now - timedelta(days=days))
        lately = [receipt for receipt in archive.receipts if since < receipt.received_at <= now]
        rates.append(_stored(lately, archive) / ((now - since) / timedelta(days=1)))
    return max(rates)


def _stored(receipts: Iterable[Receipt], archive: ArchiveReader) -> int:
    """Return the bytes that receipts and what they brought take on the disk."""
    chosen = list(receipts)
    pieces = [one.size - one.offset for one in chosen if one.repeats is None]
    files = {archive.chain.file_of[one.sequence] for one in chosen}
    return _DISK_BLOCK * (sum(-(-size // _DISK_BLOCK) for size in pieces) + len(files))
