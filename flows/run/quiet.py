"""Know before anything heavy is loaded that nothing is new: then a turn repeats what the last one found.

A turn that found nothing to do, and left everything as it was, leaves a note: the names, sizes and times
of all files that a turn depends on, what it reported, and until when that holds. As long as every file is
as noted, the next turn would find the same, so it says the same: it sets the time of the record and of the
start page, and opens neither the warehouse nor farm.toml. The note holds for an hour at most, and ends
earlier with the day, with the next backup, and when an instrument would begin to be silent. A farm with a web
source has none, since only the web service knows whether it has something new.

This module loads only what starts quickly. It is no cache of contents: a file whose size and time are as
before counts as the same, as it does for the drop folders.
"""

from __future__ import annotations

import hashlib
import json
import os
import sys
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from flows.base import files, lock
from flows.base.version import VERSION
from flows.farm.folder import FarmFolder
from flows.pages.start import as_of
from flows.store import flow_runs
from flows.store.flow_runs import Run

Listed = tuple[str, int, int]  # path, size, time of change in ns
LONGEST = timedelta(hours=1)
ANSWER_S = 2.0  # a share that wakes up slowly is left to the turn
# What a turn writes although nothing is new, and what it never reads.
_OF_STATE = ("last_runs.json", "quiet.json", "logs", "prefect")
_NEVER = ("index.html", "digests", "reports", "forms", "audit", "backups")


@dataclass(frozen=True, slots=True)
class Note:
    """What is left by a turn that found nothing to do; ``elsewhere``: folders outside of the farm's."""

    program: str
    state: str
    elsewhere: tuple[str, ...]
    made_at: files.Stamp
    until: files.Stamp
    zone: str
    runs: tuple[Run, ...]


@dataclass(frozen=True, slots=True)
class Before:
    """What a turn reads and hands on, as it stood before it: not its own database and notes."""

    zone: str
    elsewhere: tuple[str, ...]
    inputs: str

    @classmethod
    def of(cls, folder: FarmFolder, zone: ZoneInfo, paths: Iterable[Path]) -> Before:
        """Look at the farm folder, and at those of the ``paths`` that lie outside or behind a link.

        Raises OSError, also where one of them does not respond.
        """
        elsewhere = tuple(sorted(str(p) for p in paths if not files.is_inside(p, folder.root)))
        return cls(zone.key, elsewhere, _hash(_inputs(folder, _listed(folder, elsewhere))))


def again(folder: FarmFolder, now: datetime | None = None) -> list[Run] | None:
    """Repeat what the last turn found, if nothing has changed since; None if a turn has to look.

    Raises Busy if another process is at work on the farm.
    """
    now = now or datetime.now(UTC)
    note = files.read_state(_path(folder), Note)
    if note is None or note.program != _program():
        return None
    made_at, until = (datetime.fromisoformat(t) for t in (note.made_at, note.until))
    if not made_at <= now < until:
        return None
    page = folder.root / "index.html"
    with lock.hold(folder.lock_file, "looking for anything new"), suppress(OSError):
        if note.state != _hash(_listed(folder, note.elsewhere)):
            return None
        html = page.read_text(encoding="utf-8")
        stamped = as_of.moved(html, now, ZoneInfo(note.zone))
        if stamped is None:
            return None
        files.write_text(page, stamped)
        runs = [_at(run, now) for run in note.runs]
        flow_runs.note(folder, runs)
        return runs
    return None


def leave(
    folder: FarmFolder, before: Before, runs: list[Run], until: datetime, now: datetime
) -> None:
    """Leave the note, if the turn changed nothing; from ``until`` on a turn would find something else."""
    with suppress(OSError):
        # One look for both: what arrives after it is in neither, and the next turn sees it.
        listed = list(_listed(folder, before.elsewhere))
        if before.inputs != _hash(_inputs(folder, listed)) or _waits(folder):
            _path(folder).unlink(missing_ok=True)
            return
        ends = min(now + LONGEST, until).astimezone(UTC)
        note = Note(
            _program(),
            _hash(listed),
            before.elsewhere,
            now.isoformat(),
            ends.isoformat(),
            before.zone,
            tuple(runs),
        )
        files.write_text(_path(folder), json.dumps(asdict(note), indent=1))


def _inputs(folder: FarmFolder, listed: Iterable[Listed]) -> Iterator[Listed]:
    own = (str(folder.warehouse_file), f"{folder.state}{os.sep}")
    return (one for one in listed if not one[0].startswith(own))


def _hash(listed: Iterable[Listed]) -> str:
    return hashlib.sha256(repr(sorted(listed)).encode(errors="surrogateescape")).hexdigest()


def _listed(folder: FarmFolder, elsewhere: Iterable[str]) -> Iterator[Listed]:
    never = [str(folder.root / name) for name in _NEVER]
    never += [str(folder.state / name) for name in _OF_STATE]
    # An archived file is checked where it is read; here it must only be there.
    yield from _files(str(folder.root), never, named=str(folder.archive / "2"))
    for path in elsewhere:
        if not files.answers(Path(path), folder.root, ANSWER_S):
            raise FileNotFoundError(path)
        yield from _files(path, [])


def _files(path: str, never: list[str], named: str | None = None) -> Iterator[Listed]:
    """Name, size and time of each file at or below ``path``, name alone where it begins with ``named``.

    Raises OSError.
    """
    if Path(path).is_file():
        stat = Path(path).stat()
        yield path, stat.st_size, stat.st_mtime_ns
        return
    with os.scandir(path) as entries:
        for entry in entries:
            if entry.path in never or entry.name.endswith(".lock"):
                continue
            if entry.is_dir(follow_symlinks=False):
                yield from _files(entry.path, never, named)
            elif named and entry.path.startswith(named):
                yield entry.path, -1, -1
            else:
                stat = entry.stat(follow_symlinks=False)
                yield entry.path, stat.st_size, stat.st_mtime_ns


def _waits(folder: FarmFolder) -> bool:
    """Return whether a file of a drop folder may be taken later as it is: it settles, or is half a line."""
    seen = files.read_state(folder.state / "seen.json", dict[str, list[float]]) or {}
    return any(not known[3] for known in seen.values() if known[1])


def _at(run: Run, now: datetime) -> Run:
    return Run(run.flow, now.isoformat(), now.isoformat(), run.state, run.summary, run.notes)


def _program() -> str:
    """Return what another program would differ in."""
    return f"{VERSION} {Path(__file__).parents[2]} {sys.version}"


def _path(folder: FarmFolder) -> Path:
    return folder.state / "quiet.json"
