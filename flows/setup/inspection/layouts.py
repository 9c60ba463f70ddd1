"""Each layout against the newest file of its source: landed in a temporary warehouse."""

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from flows.base import files
from flows.base.plain_text import counted
from flows.books.images import extra
from flows.books.images.landing import KIND
from flows.farm.folder import FarmFolder
from flows.intake import collect
from flows.intake.door.places import Places
from flows.intake.sources import drop
from flows.intake.sources.drop import NOT_FILES, NOT_OURS, TAKEN, UNFINISHED
from flows.intake.sources.match import match
from flows.setup.inspection.finding import Finding, advice, attention, fine
from flows.store import migrate, warehouse
from flows.store.archive import Archive, Arrival
from schemas.farm.farm import Farm, Source

# A larger newest file is not read: it would take long, and 'checkstrip try' does it in full.
LARGEST = 64 << 20
_EXAMPLES = 3


@dataclass(slots=True)
class _Newest:
    arrival: Arrival
    at: float


def sources(folder: FarmFolder, farm: Farm, archive: Archive | None) -> Iterator[Finding]:
    """Sources that nothing matches, files that no source takes, and how the newest files read.

    ``archive`` is None where another writer is at work; then only files in folders are looked at.
    """
    newest, strangers = _newest_by_source(folder, farm)
    with tempfile.TemporaryDirectory() as temporary:
        place = Path(temporary)
        for source in farm.sources:
            if source.name not in newest and archive is not None:
                archived = _newest_in_archive(archive, source, place)
                if archived:
                    newest[source.name] = archived
        for source in farm.sources:
            if source.name not in newest:
                yield _without_file(folder, source, archive)
        if strangers:
            more = " and so on" if len(strangers) > _EXAMPLES else ""
            some = ", ".join(strangers[:_EXAMPLES]) + more
            yield attention(
                "sources",
                f"{counted(len(strangers), 'file')} without a source: {some}.",
                "Mend the glob of a source in farm.toml, or take the files away.",
            )
        yield from _as_read(farm, newest, place)


def image_sources(folder: FarmFolder, farm: Farm, archive: Archive | None) -> Iterator[Finding]:
    """STAC sources that brought no image yet, and the libraries that they need."""
    if not farm.image_sources:
        return
    if not extra.installed():
        yield attention("sources", *extra.MISSING.split(" Install ", 1))
    for source in farm.image_sources:
        receipts = archive.receipts if archive else ()
        brought = sum(1 for r in receipts if r.kind == KIND and r.source == source.name)
        if brought:
            yield fine("sources", f"{source.name}: {counted(brought, 'image')} so far.")
        elif archive is not None:
            yield attention(
                "sources",
                f"The source {source.name} brought no image yet.",
                f"checkstrip collect {folder.root} says how it answers.",
            )


def _newest_by_source(folder: FarmFolder, farm: Farm) -> tuple[dict[str, _Newest], list[str]]:
    """The newest file of each source in its folder, and files that none takes."""
    newest: dict[str, _Newest] = {}
    strangers: list[str] = []
    places = Places.of(farm)
    for path in drop.folders(folder, farm):
        root = folder.root / path
        there = files.is_there(root, folder.root)
        for file in drop.files_of(root, path, farm, taken=True) if there else ():
            low = file.name.lower()
            if not file.is_file() or low.startswith(NOT_OURS) or low in NOT_FILES:
                continue
            name = file.relative_to(root).as_posix()
            if low.endswith(UNFINISHED):
                continue
            inside = name.removeprefix(f"{TAKEN}/")
            found = match(Arrival(file, "file", path, inside, None, ""), farm, places)
            if found is None:
                strangers.append(f"{path}/{name}")
                continue
            target = "|".join(
                name or "" for name in (found.source.name, found.station, found.probe)
            )
            at = file.stat().st_mtime
            before = newest.get(found.source.name)
            if before is None or before.at < at:
                arrival = Arrival(file, "file", path, inside, found.source.name, target)
                newest[found.source.name] = _Newest(arrival, at)
    return newest, strangers


def _newest_in_archive(archive: Archive, source: Source, place: Path) -> _Newest | None:
    """Return the newest file of a source that is not damaged in the archive."""
    receipts = (r for r in reversed(archive.receipts) if r.source == source.name)
    last = next((r for r in receipts if archive.problem(r) is None), None)
    if last is None:
        return None
    path = place / f"delivery-{last.sequence}"
    archive.copy_out(last, path)
    arrival = Arrival(path, last.kind, last.folder, last.name, source.name, last.target)
    return _Newest(arrival, last.received_at.timestamp())


def _without_file(folder: FarmFolder, source: Source, archive: Archive | None) -> Finding:
    if source.kind == "http":
        if archive is None:
            return fine(
                "sources",
                f"Whether the source {source.name} brought something was not looked at: another writer "
                "is at work.",
            )
        return attention(
            "sources",
            f"The source {source.name} brought nothing yet.",
            f"checkstrip collect {folder.root} says how it answers.",
        )
    return attention(
        "sources",
        f"No file in {folder.root / source.path} matches '{source.glob}' of the source "
        f"{source.name}.",
        "Mend its path or glob in farm.toml, or see why no files arrive.",
    )


def _as_read(farm: Farm, newest: dict[str, _Newest], place: Path) -> Iterator[Finding]:
    """Land each newest file into a warehouse of its own, and tell what became of it."""
    small = {n: one for n, one in newest.items() if one.arrival.path.stat().st_size <= LARGEST}
    if not small:
        return
    archive = Archive.open(place / "archive")
    archive.take([one.arrival for one in small.values()])
    con = warehouse.open_file(place / "newest.duckdb", place / "spill")
    try:
        with warehouse.transaction(con):
            migrate.bring_up(con)
        collect.land_from(con, archive, farm)
        rows = con.sql(
            "SELECT source, any_value(name), sum(coalesce(rows_in, 0)), "
            "sum(coalesce(rows_quarantined, 0)), sum(coalesce(values_quarantined, 0)), "
            "any_value(reason), bool_or(state = 'refused') FROM delivery "
            "WHERE source IS NOT NULL GROUP BY source ORDER BY source"
        ).fetchall()
    finally:
        con.close()
    for name, file, read, refused, values, reason, whole in rows:
        counts = (
            f"{name}: {counted(int(read), 'row')} of {file} read, {int(refused):,} rejected, "
            f"and {int(values):,} single values"
        )
        if whole:
            yield attention(
                "layouts",
                f"{name}: {file} cannot be read by its layout: {reason}.",
                "checkstrip try shows why; checkstrip sniff proposes a layout.",
            )
        elif refused or reason:
            yield attention(
                "layouts",
                f"{counts}{f'; {reason}' if reason else ''}.",
                "checkstrip try lists the causes.",
            )
        elif values:
            yield advice("layouts", f"{counts}.", "checkstrip try lists the causes.")
        else:
            yield fine("layouts", f"{counts}.")
