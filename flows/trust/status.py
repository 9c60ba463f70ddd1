"""Report the state of a farm folder: last heard, last runs, what was rejected, how much is stored."""

from __future__ import annotations

import shutil
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import duckdb

from flows.base import schedule
from flows.base.errors import Attention, UserError
from flows.base.plain_text import counted, noun
from flows.books import as_saved
from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.intake.sources import takers
from flows.pages.mail.outbox import Outbox
from flows.store import derive_problems, flow_runs, published, query
from flows.store.connection import records
from flows.trust import archive_check, growth, image_sources, instruments, names, two_versions
from flows.trust.backup import last_good

_REJECTED = """
    SELECT cause, extent, count(*) AS count FROM quarantine
    GROUP BY cause, extent ORDER BY count DESC, cause, extent
"""
_BOOK_PROBLEMS = """
    SELECT book, lost, count(*) AS count FROM book_problem GROUP BY book, lost ORDER BY book, lost
"""
_KEPT = """
    SELECT * FROM (
        SELECT 'no longer in their file, kept' AS what, sum(values_gone)::BIGINT AS values
        FROM delivery WHERE state = 'landed'
        UNION ALL SELECT 'contradicted by another line of their file', sum(values_contradicted)::BIGINT
        FROM delivery WHERE state = 'landed'
    ) WHERE values > 0 ORDER BY what
"""
_DELIVERIES = "SELECT state, count(*) AS count FROM delivery GROUP BY state ORDER BY state"

_EXTENTS = {"delivery": "file", "row": "row", "value": "value"}
# A schedule of minutes may be late by this much before anybody has to look.
_LATE = timedelta(days=1)


@dataclass(slots=True)
class Status:
    """What ``checkstrip status`` shows; ``as_dict`` is its ``--json``."""

    farm_folder: str
    at: str
    time_zone: str = "UTC"
    published: str | None = None
    published_at: str | None = None
    instruments: list[dict[str, Any]] = field(default_factory=list)
    image_sources: list[dict[str, Any]] = field(default_factory=list)
    deliveries: list[dict[str, Any]] = field(default_factory=list)
    kept: list[dict[str, Any]] = field(default_factory=list)
    quarantine: list[dict[str, Any]] = field(default_factory=list)
    books: list[dict[str, Any]] = field(default_factory=list)
    renamed: list[str] = field(default_factory=list)
    backup: dict[str, Any] | None = None
    runs: list[dict[str, Any]] = field(default_factory=list)
    store_bytes: dict[str, int] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    attention: list[str] = field(default_factory=list)

    def as_dict(self) -> dict[str, Any]:
        """Return all of it, for JSON."""
        return asdict(self)


def status(folder: FarmFolder, now: datetime | None = None) -> Status:
    """Return the state of the farm folder, from the published copy and the record of runs."""
    now = now or datetime.now(UTC)
    found = Status(str(folder.root), _stamp(now))
    path = published.newest(folder)
    wrong: list[str] = []
    images: dict[str, Any] = {}
    if path is None:
        archive = archive_check.read(folder, None)
        found.attention.append(
            f"Nothing is published yet. Run: checkstrip once {folder.root}",
        )
    else:
        found.published = str(path)
        found.published_at = _stamp(datetime.fromtimestamp(path.stat().st_mtime, UTC))
        try:
            with query.open_published(folder) as con:
                found.instruments = instruments.last_heard(con, now)
                images = image_sources.last_images(con, now.date())
                found.deliveries = records(con, _DELIVERIES)
                found.kept = records(con, _KEPT)
                found.quarantine = records(con, _REJECTED)
                found.books = records(con, _BOOK_PROBLEMS)
                found.renamed = names.renamed(con)
                wrong = [
                    *as_saved.attention(con),
                    *derive_problems.sentences(con),
                    *names.orphans(con),
                ]
                found.notes += [*names.of_files(con), *names.fields(con), *names.strips(con)]
                found.attention += instruments.attention(con, found.instruments)
                found.notes += [sentence for _, sentence in two_versions.sentences(con)]
                found.notes += instruments.set_aside(con)
                archive = archive_check.read(folder, con)
        except Attention as damage:
            found.attention.append(str(damage))
            archive = archive_check.read(folder, None)
        except (duckdb.CatalogException, duckdb.BinderException):
            found.attention.append(
                "The published copy was made by another version of Checkstrip. "
                f"Run: checkstrip once {folder.root}"
            )
            archive = archive_check.read(folder, None)
    runs = flow_runs.last(folder)
    found.runs = [asdict(run) for run in runs.values()]
    found.attention += [
        f"The last {run['flow']} needs attention: {run['summary']}"
        for run in found.runs
        # What derive left out is said in full below.
        if run["state"] != "done" and (run["flow"], run["state"]) != ("derive", "attention")
    ]
    found.attention += archive_check.attention(folder, archive)
    known = " ".join(found.attention)
    found.attention += [sentence for sentence in wrong if sentence not in known]
    _add_schedules(found, folder, now, runs.get("collect"), images)
    _add_growth(found, growth.of(folder, archive, now), now)
    found.backup = last_good.last_good(folder)
    found.attention += Outbox(folder).attention()
    found.store_bytes = {
        "archive": _size(folder.archive),
        "warehouse": _size(folder.warehouse),
        "free": shutil.disk_usage(folder.root).free,
    }
    return found


def _add_growth(found: Status, expected: growth.Growth, now: datetime) -> None:
    """Add when the disk is full: a concern only if that is soon."""
    if expected.is_concern:
        found.attention.append(f"{expected.sentence(now)} {growth.ADVICE}")
    else:
        found.notes.append(expected.sentence(now))


def _add_schedules(
    found: Status,
    folder: FarmFolder,
    now: datetime,
    collect: flow_runs.Run | None,
    images: dict[str, Any],
) -> None:
    """Add the STAC sources, and a sentence for each of these, collect and backup that is not on schedule."""
    try:
        farm = farm_file.load(folder.farm_toml)
    except UserError:
        return  # the runs that it stopped report it
    found.time_zone = farm.place.zone.key
    found.notes += takers.waiting(folder, farm)
    if farm.place.latitude is None:
        found.notes.append(f"{farm_file.NO_PLACE} {farm_file.GIVE_PLACE}")
    if farm.backup is None:
        found.notes.append(
            "No backup is set up: add [backup] with a folder on another disk to farm.toml."
        )
    found.attention += last_good.attention(folder, farm, now)
    found.image_sources = image_sources.of(folder, farm, images, now)
    found.notes += image_sources.notes(found.image_sources)
    lately = collect is not None and now - datetime.fromisoformat(collect.started_at) < _LATE
    found.attention += image_sources.attention(folder, found.image_sources, collected=lately)
    if collect is not None:
        began = datetime.fromisoformat(collect.started_at)
        latest = schedule.last_due(farm.schedules.collect, farm.place.zone, now)
        if began < min(latest, now - _LATE):
            days = (now - began).total_seconds() / 86_400
            found.attention.append(
                f"Nothing was collected for {days:,.1f} days. Is 'checkstrip run' running? "
                f"'checkstrip service show {folder.root}' shows how the computer starts it."
            )


def lines(found: Status) -> list[str]:
    """Return the status as lines of text: first whether all is well, and what needs attention."""
    number = len(found.attention)
    things = f"{counted(number, 'thing')} {'needs' if number == 1 else 'need'}"
    out = [f"{things} attention." if number else "All is well."]
    out += [f"  {sentence}" for sentence in found.attention]
    out += ["", f"Farm folder {found.farm_folder}"]
    if found.published:
        out.append(f"Published {found.published} at {_by_clock(found.published_at, found)}")
    if found.instruments:
        out += ["", "Last heard"]
        width = max(len(i["instrument"]) for i in found.instruments)
        for i in found.instruments:
            heard = "never"
            if i["last_heard"]:
                heard = f"{_by_clock(i['last_heard'], found)}  {_ago(i['silent_h'])}"
            out.append(f"  {i['kind']:<7}  {i['instrument']:<{width}}  {heard}")
    out += image_sources.lines(found.image_sources, lambda at: _by_clock(at, found))
    if found.runs:
        out += ["", "Last runs"]
        for run in found.runs:
            at = _by_clock(run["ended_at"], found)
            out.append(f"  {run['flow']:<8} {at}  {run['state']}: {run['summary']}")
    if found.deliveries:
        counts = ", ".join(f"{row['count']:,} {row['state']}" for row in found.deliveries)
        out += ["", f"Files: {counts}"]
    out += [f"  {_lined(row['values'], 'value')}: {row['what']}" for row in found.kept]
    if found.published:
        out += ["", "Rejected" + ("" if found.quarantine else ": nothing")]
    for row in found.quarantine:
        out.append(f"  {_lined(row['count'], _EXTENTS[row['extent']])}: {row['cause']}")
    for row in found.books:
        lost = "nothing lost" if row["lost"] == "none" else f"lost the {row['lost']}"
        out.append(
            f"  {_lined(row['count'], 'fault')} in the {as_saved.NAMES[row['book']]}: {lost}"
        )
    if found.renamed:
        out += ["", "Renamed (field book)", *(f"  {line}" for line in found.renamed)]
    if found.backup:
        at, to = _by_clock(found.backup["at"], found), found.backup["to"]
        out += ["", f"Last good backup: {at}, {found.backup['name']} in {to}"]
    sizes = ", ".join(f"{name} {size / 1e6:,.1f} MB" for name, size in found.store_bytes.items())
    out += ["", f"Store: {sizes}", *found.notes, f"Times: {found.time_zone}"]
    return out


def _by_clock(moment: str | datetime | None, found: Status) -> str:
    """Return an instant by the farm's clock, to the minute."""
    if not moment:
        return ""
    at = datetime.fromisoformat(moment) if isinstance(moment, str) else moment
    return at.astimezone(ZoneInfo(found.time_zone)).strftime("%Y-%m-%d %H:%M")


def _lined(number: int, one: str) -> str:
    """Return a count with its noun, counts aligned below each other."""
    return f"{number:>8,} {noun(number, one)}"


def _size(folder: Path) -> int:
    total = 0
    for path in folder.rglob("*"):
        try:
            total += path.stat().st_size if path.is_file() else 0
        except OSError:
            continue  # it went away meanwhile
    return total


def _stamp(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _ago(hours: float) -> str:
    if hours < 0:
        return "ahead of this computer's clock"
    return f"{hours:.0f} h ago" if hours < 48 else f"{hours / 24:,.0f} days ago"
