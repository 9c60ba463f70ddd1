"""Collect: what is new goes into the archive first, then into the warehouse.

``archive_new`` touches the outside world (drop folders, HTTP, the field book); ``land_all`` reads
only the archive and the farm file, so that a rebuild lands exactly what collect landed.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache, partial
from pathlib import Path

import duckdb

from flows.base.plain_text import counted
from flows.base.progress import Tick, silent
from flows.books import as_saved, books, landed_version
from flows.books.amended import amended
from flows.farm import farm_file, farm_tables
from flows.farm.bounds import Bounds
from flows.farm.folder import FarmFolder
from flows.intake import doubled_hours, land, reread
from flows.intake.door.places import Places
from flows.intake.sources import drop, takers
from flows.store import archive_damage, backup_objects, facts, warehouse
from flows.store.archive import Archive
from flows.store.backup_objects import BackupObjects
from flows.store.receipts import HEAD_FACT, Known, Receipt
from schemas.farm.farm import Farm, Source

HTTP_MEMORY = "http.json"


@dataclass(slots=True)
class Collected:
    """What a collect did."""

    deliveries: int = 0
    landed: int = 0
    quarantined: int = 0
    duplicate: int = 0
    refused: int = 0
    notes: list[str] = field(default_factory=list)
    damaged: list[str] = field(default_factory=list)
    books: list[str] = field(default_factory=list)

    @property
    def wants_attention(self) -> bool:
        """Whether something was rejected now, or is damaged or rejected until somebody acts."""
        return bool(self.quarantined or self.refused or self.damaged or self.books)

    def __str__(self) -> str:
        """In sentences."""
        return " ".join([self._arrived(), *self.damaged, *self.books])

    def _arrived(self) -> str:
        if not self.deliveries:
            return "Nothing new arrived."
        deliveries = counted(self.deliveries, "file")
        files = f" {counted(self.refused, 'file')} rejected." if self.refused else ""
        return (
            f"{deliveries}: {counted(self.landed, 'new row')}, {counted(self.duplicate, 'duplicate')}, "
            f"{self.quarantined:,} rejected.{files}"
        )


def collect(folder: FarmFolder, tick: Tick = silent) -> Collected:
    """Take in all that is new. Raises UserError (farm file), Busy (another writer)."""
    farm = farm_file.load(folder.farm_toml)
    with warehouse.open_writer(folder, "collecting") as con:
        folder.make()
        before = _last_sequence(con)
        archive = open_archive(Known.of(con), folder, farm)
        notes = archive_new(con, folder, farm, archive, tick)
        reread = land_from(con, archive, farm, tick)
        with tempfile.TemporaryDirectory(dir=folder.state) as into:
            notes += _images(con, folder, farm, archive, Path(into))
        if reread:
            notes.append(f"{counted(reread, 'file')} read again, because the setup has changed.")
        notes += [f"Repaired in the archive: {name}." for name in archive.repaired]
        notes += _not_taken(archive, farm, before)
        if farm.place.latitude is None:
            notes.append(f"{farm_file.NO_PLACE} {farm_file.GIVE_PLACE}")
        damaged = archive_damage.sentences(con, archive, folder.root)
        return _summary(con, before, notes, damaged)


def _images(
    con: duckdb.DuckDBPyConnection, folder: FarmFolder, farm: Farm, archive: Archive, into: Path
) -> list[str]:
    """Archive new images, and land them."""
    notes: list[str] = []
    if farm.image_sources:
        from flows.intake import image_service  # noqa: PLC0415

        notes += image_service.collect(con, folder, farm, archive, into)
    if not folder.images.is_dir():
        return notes + _land_images(con, archive)
    from flows.books.images import folder as images  # noqa: PLC0415

    notes += images.collect(con, folder, farm, archive, into)
    return notes


def _land_images(con: duckdb.DuckDBPyConnection, archive: Archive) -> list[str]:
    """Land archived images; what reads them is loaded only where a farm has some."""
    if all(receipt.kind != as_saved.IMAGES for receipt in archive.receipts):
        return []
    from flows.books.images import landing  # noqa: PLC0415

    return landing.land(con, archive)


def open_archive(
    known: Known, folder: FarmFolder, farm: Farm, *, search_backups: bool = False
) -> Archive:
    """Open the archive to write to: compared with what the warehouse knows, repaired from backups.

    The backups' folders are looked for only if something is damaged, or with ``search_backups``.
    """

    @cache
    def backups() -> list[BackupObjects]:
        return list(backup_objects.reachable(folder, farm.backup.to if farm.backup else None))

    return Archive.open(folder.archive, known, backups, search_backups=search_backups)


def archive_new(
    con: duckdb.DuckDBPyConnection,
    folder: FarmFolder,
    farm: Farm,
    archive: Archive,
    tick: Tick = silent,
) -> list[str]:
    """Put everything that is new into the archive; returns notes on what was left, and why."""
    today = amended(con, farm)  # a web service is asked under the names of farm.toml all the same
    places = Places.of(today)
    tick("looking for files", 0, 1)
    with tempfile.TemporaryDirectory(dir=folder.state) as into:
        found = drop.find_settled(folder, today, places, Path(into))
        archive.take(doubled_hours.taken_whole(con, archive, today, places, found.arrivals))
    left = [*archive.unsettled, *archive.unread]
    found.arrivals = [a for a in found.arrivals if a not in left]
    notes = found.notes + [
        f"{a.folder}/{a.name} was written to while it was copied; it is taken next time."
        for a in archive.unsettled
    ]
    notes += [f"{a.folder}/{a.name} cannot be read; it is tried again." for a in archive.unread]
    notes += drop.move_taken(folder, farm, found)
    drop.remember(folder, found)
    with tempfile.TemporaryDirectory(dir=folder.state) as into:
        if any(source.kind == "http" for source in farm.sources):
            notes += _fetched(con, folder, farm, archive, Path(into))
        kept, missing = books.arrivals(folder, farm, Path(into))
        archive.take(kept)
    return notes + missing


def _fetched(
    con: duckdb.DuckDBPyConnection, folder: FarmFolder, farm: Farm, archive: Archive, into: Path
) -> list[str]:
    """Put what the web services have into the archive; returns notes."""
    from flows.intake.sources import http  # noqa: PLC0415 - a farm of files starts without it

    notes: list[str] = []
    memory = http.read_memory(folder.state / HTTP_MEMORY)
    last_reading, bounds = partial(_last_reading, con), Bounds.of(folder.root)
    for fetched in http.fetch_all(farm, last_reading, into, memory, bounds):
        archive.take(fetched.arrivals)
        http.write_memory(folder.state / HTTP_MEMORY, memory, fetched)
        notes += fetched.notes
        for arrival in fetched.arrivals:
            arrival.path.unlink()
    return notes


def land_all(
    con: duckdb.DuckDBPyConnection, folder: FarmFolder, farm: Farm, tick: Tick = silent
) -> int:
    """Land every archived delivery that is not landed yet, and the set-up as it stands.

    What was read by another set-up is read again (see flows/intake/reread.py); returns how many deliveries.
    """
    return land_from(con, open_archive(Known.of(con), folder, farm), farm, tick)


def land_from(
    con: duckdb.DuckDBPyConnection, archive: Archive, farm: Farm, tick: Tick = silent
) -> int:
    """``land_all`` from an archive that is open already; the books first, for they amend the set-up."""
    books.land_all(con, archive, farm)
    _land_images(con, archive)
    farm = amended(con, farm)
    with warehouse.transaction(con):
        for name, frame in farm_tables.tables(farm).items():
            landed_version.replace_if_changed(con, name, frame)
        head = f"{archive.head.sequence} {archive.head.sha256}"
        if archive.head.sha256 and facts.fact(con, HEAD_FACT) != head:
            facts.set_fact(con, HEAD_FACT, head)
    concerned = reread.read_outdated_again(con, archive, farm)
    waiting = [r for r in _unlanded(con, archive.receipts) if r.kind in ("file", "http")]
    land.land(con, archive, farm, waiting, tick)
    return concerned.reread


def _unlanded(con: duckdb.DuckDBPyConnection, receipts: Iterable[Receipt]) -> list[Receipt]:
    landed = {row[0] for row in con.execute("SELECT sequence FROM delivery").fetchall()}
    return sorted((r for r in receipts if r.sequence not in landed), key=lambda r: r.sequence)


def _last_sequence(con: duckdb.DuckDBPyConnection) -> int:
    row = con.execute("SELECT coalesce(max(sequence), 0) FROM delivery").fetchone()
    return int(row[0]) if row else 0


def _last_reading(con: duckdb.DuckDBPyConnection, source: Source) -> datetime | None:
    """Return the latest reading that an HTTP source brought."""
    row = con.execute(
        "SELECT max(last_reading) FROM delivery WHERE source = ?", [source.name]
    ).fetchone()
    return row[0] if row else None


def _not_taken(archive: Archive, farm: Farm, before: int) -> list[str]:
    """Say which new files no source takes, and which source takes those of another."""
    new = [r for r in archive.receipts if r.sequence > before and r.kind == "file"]
    if not new:
        return []
    places = Places.of(farm)
    return [*takers.not_taken(new, farm, places), *takers.taken_first(new, farm, places)]


def _summary(
    con: duckdb.DuckDBPyConnection, before: int, notes: list[str], damaged: list[str]
) -> Collected:
    wrong = as_saved.attention(con)
    row = con.execute(
        "SELECT count(*), coalesce(sum(rows_landed), 0), coalesce(sum(rows_quarantined), 0), "
        "coalesce(sum(rows_duplicate), 0), count(*) FILTER (state = 'refused') "
        "FROM delivery WHERE sequence > ?",
        [before],
    ).fetchone()
    assert row is not None
    deliveries, landed, quarantined, duplicate, refused = (int(number) for number in row)
    return Collected(deliveries, landed, quarantined, duplicate, refused, notes, damaged, wrong)
