"""Finds files that have settled in the drop folders.

A file is taken only when its writer has finished: its size and time have not changed over the
source's settle time, and it can be opened. One that cannot be opened is tried again next time. A
text file that ends in the middle of a line settles ten times as long, since a number that is cut
(12.3 of 12.34) looks whole; but not for ever, because some loggers never end their last line. One
that is written to without pause is taken to its last whole line, now and then. Files are never
deleted: they stay, or move to ``taken/`` after they are in the archive.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated

from pydantic import Field

from flows.base import files
from flows.base.plain_text import counted
from flows.farm.folder import FarmFolder
from flows.farm.instrument_names import InstrumentNames
from flows.intake.sources.match import Match, match
from flows.store.archive import Arrival
from flows.store.archive_bytes import PACKED_MARKS, WIDE_MARKS
from schemas.farm.farm import Farm, Source
from schemas.farm.layout import BY_LINES

# What programs call a file that they are still writing, or that is none of ours.
UNFINISHED = (".tmp", ".part", ".partial", ".crdownload", ".download", ".filepart", ".swp", ".lock")
NOT_OURS = ("~$", ".~", ".")
NOT_FILES = ("thumbs.db", "desktop.ini")
TAKEN = "taken"
LONGEST_SETTLE_S = 60.0  # of a file that no source takes
OPEN_TIMES = 10  # as long a file settles that ends in the middle of a line
MOST_OPEN_TIMES = 60  # but it is held back no longer than that, though it grows on
LONGEST_WAIT_S = 3600.0  # for a pause in the writing, before its whole lines are taken
MAX_MB = 512.0  # of a file that no source takes
# Path in the drop folder → size, time of change, when first seen so, 1 if archived, and since when
# it waits for a pause in the writing or for the end of its last line.
Seen = dict[str, Annotated[list[float], Field(min_length=4)]]


@dataclass(slots=True)
class Found:
    """What a search of the drop folders found; ``notes`` tell of files that were left, and why.

    ``growing`` are those of the ``arrivals`` that are a copy of the whole lines of a file;
    ``settling`` has the seconds left of each file that changed a moment ago; ``named`` are all files.
    """

    arrivals: list[Arrival] = field(default_factory=list)
    growing: list[Arrival] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    settling: dict[str, float] = field(default_factory=dict)
    named: list[Arrival] = field(default_factory=list)
    seen: dict[str, list[float]] = field(default_factory=dict)


def find_settled(folder: FarmFolder, farm: Farm, names: InstrumentNames, into: Path) -> Found:
    """Return settled files of all folder sources that were not taken before, in the order of receipt.

    The oldest first; of one instrument's files the one with the earlier last stamp. Of a file that
    is written to without pause the whole lines are copied to the folder ``into``.

    Raises nothing for a folder that cannot be reached (a lost network share): it is noted.
    """
    seen = files.read_state(_memory(folder), Seen) or {}
    search = _Search(farm, names, into, seen, time.time())
    for path in folders(folder, farm):
        root = folder.root / path
        if not files.is_there(root, folder.root):
            search.found.notes.append(f"The folder {root} cannot be reached; it is tried again.")
            kept = {k: v for k, v in search.before.items() if k.startswith(f"{path}/")}
            search.found.seen.update(kept)
            continue
        root = files.deep(root)
        for file in files_of(root, path, farm):
            name = files.readable(file.relative_to(root).as_posix())
            if file.is_symlink():
                search.pass_over_link(f"{path}/{name}")
            else:
                search.consider(file, path, name)
    search.found.notes += settling_in_words(search.found.settling)
    dated = sorted(search.dated, key=lambda d: d[:2])
    if dated:
        # here, so that a look that finds nothing new starts without what reads files
        from flows.intake.sources.last_stamps import in_order  # noqa: PLC0415

        search.found.arrivals = in_order([matched for _, _, matched in dated], farm)
    return search.found


def folders(folder: FarmFolder, farm: Farm) -> list[str]:
    """Return the folders that are looked into: of the sources, and the farm's own drop folder."""
    named = {source.path for source in farm.sources if source.kind == "folder"}
    return sorted(named | ({folder.drop.name} if folder.drop.is_dir() else set()))


def settling_in_words(left_s: dict[str, float]) -> list[str]:
    """Say which files wait for their writer to be done, and how long yet."""
    if not left_s:
        return []
    some = ", ".join(sorted(left_s)[:3]) + (" and more" if len(left_s) > 3 else "")
    number = f"{counted(len(left_s), 'file')} {'is' if len(left_s) == 1 else 'are'}"
    return [f"{number} settling, {max(left_s.values()):.0f} s left: {some}."]


@dataclass(slots=True)
class _Search:
    """One search: what is known from before, and what it finds."""

    farm: Farm
    names: InstrumentNames
    into: Path
    before: dict[str, list[float]]
    now: float
    found: Found = field(default_factory=Found)
    dated: list[tuple[float, str, tuple[Arrival, Match | None]]] = field(default_factory=list)

    def pass_over_link(self, key: str) -> None:
        """Note a link once, since its target lies outside of the drop folder."""
        if key not in self.before:
            self.found.notes.append(f"{key} is a link, which is not followed; put the file there.")
        self.found.seen[key] = [0.0, 0.0, self.now, 0.0]

    def consider(self, file: Path, path: str, name: str) -> None:
        """Take a file, or note why it is left."""
        key = f"{path}/{name}"
        if _is_passed_over(file.name):
            self.found.notes.append(
                f"{key} is skipped: its name is that of an unfinished or hidden file."
            )
            return
        try:
            stat = file.stat()
            with file.open("rb"):
                pass
        except OSError as error:
            self.found.notes.append(
                f"{key} cannot be opened ({error.strerror}); it is tried again."
            )
            self.found.seen[key] = [-1.0, -1.0, self.now, 0.0]  # of no size that a file has
            return
        known = self.before.get(key)
        if known is None or known[:2] != [stat.st_size, stat.st_mtime]:
            known = [stat.st_size, stat.st_mtime, self.now, 0.0]
        self.found.seen[key] = known
        self.found.named.append(Arrival(file, "file", path, name, None, ""))
        if known[3]:  # in the archive as it stands
            return
        matched = match(Arrival(file, "file", path, name, None, ""), self.farm, self.names)
        settle = matched.source.settle_s if matched else LONGEST_SETTLE_S
        max_mb = matched.source.max_mb if matched else MAX_MB
        if stat.st_size > max_mb * 1e6:
            self.found.notes.append(
                f"{key} has {stat.st_size / 1e6:.0f} MB, more than max_mb = {max_mb:g} allows, and is "
                "not taken. Split the file, or raise max_mb of its source in farm.toml."
            )
            return
        if self.now - stat.st_mtime < settle and self.now - known[2] < settle:
            if not (matched and self._take_whole_lines(file, path, name, known, matched)):
                quiet_s = self.now - min(stat.st_mtime, known[2])
                self.found.settling[key] = max(settle - quiet_s, 1.0)
            return
        if matched and self._held_back(file, key, known, stat.st_mtime, matched):
            wait = settle * OPEN_TIMES / 60
            self.found.notes.append(
                f"{key} ends in the middle of a line; it is taken when the line is whole, or when "
                f"it has not changed for {wait:g} minutes."
            )
            return
        self.dated.append((stat.st_mtime, key, (arrival_of(file, path, name, matched), matched)))

    def _take_whole_lines(
        self, file: Path, path: str, name: str, known: list[float], matched: Match
    ) -> bool:
        """Take the lines so far of a file that has been written to without pause for long."""
        key, settle = f"{path}/{name}", matched.source.settle_s
        since = self._waits_since(key)
        self.found.seen[key] = [*known[:4], since]
        wait = max(settle, min(settle * OPEN_TIMES, LONGEST_WAIT_S))
        by_lines = self.farm.layouts[matched.source.layout].format in BY_LINES
        if self.now - since < wait or not by_lines:
            return False
        lines = self.into / f"growing-{len(self.found.growing)}"
        if not _copy_lines(file, int(known[0]), lines):
            return False
        self.found.growing.append(arrival_of(lines, path, name, matched))
        self.dated.append((known[1], key, (self.found.growing[-1], matched)))
        self.found.seen[key] = [*known[:4], self.now]
        self.found.notes.append(
            f"{key} is written to without pause; its whole lines so far were taken, and the others "
            f"are within {wait / 60:g} minutes."
        )
        return True

    def _waits_since(self, key: str) -> float:
        """Return since when a file waits for a pause, or for the end of its last line."""
        before = self.before.get(key, [])
        return before[4] if len(before) > 4 else self.now

    def _held_back(
        self, file: Path, key: str, known: list[float], changed: float, matched: Match
    ) -> bool:
        """Return whether to leave a file that ends within a line until the line may be whole."""
        settle = matched.source.settle_s
        by_lines = self.farm.layouts[matched.source.layout].format in BY_LINES
        if not settle or not by_lines or not _ends_in_a_line(file):
            return False
        since = self._waits_since(key)
        self.found.seen[key] = [*known[:4], since]
        quiet_s = self.now - min(changed, known[2])
        return quiet_s < settle * OPEN_TIMES and self.now - since < settle * MOST_OPEN_TIMES


def arrival_of(file: Path, path: str, name: str, matched: Match | None) -> Arrival:
    """Return a file of a drop folder as an arrival, by what its source says of it."""
    source = matched.source.name if matched else None
    names = [source, matched.station, matched.probe] if matched else []
    return Arrival(file, "file", path, name, source, "|".join(name or "" for name in names))


def _copy_lines(file: Path, size: int, target: Path) -> bool:
    """Copy the first ``size`` bytes up to the last line's end; return whether there is one."""
    try:
        with file.open("rb") as stream:
            content = stream.read(size)
    except OSError:
        return False
    end = content.rfind(b"\n") + 1
    if not end or content.startswith((*PACKED_MARKS, *WIDE_MARKS)):
        return False
    target.write_bytes(content[:end])
    return True


def _ends_in_a_line(file: Path) -> bool:
    """Return whether a text file's last line has no end."""
    try:
        with file.open("rb") as stream:
            head = stream.read(2)
            stream.seek(max(0, file.stat().st_size - 64))
            tail = stream.read().rstrip(b"\x00")
    except OSError:
        return False  # it will be said when it is taken
    return bool(tail) and head not in PACKED_MARKS and not tail.endswith((b"\n", b"\r", b"\x1a"))


def remember(folder: FarmFolder, found: Found) -> None:
    """Note the taken files as such, so that they are not hashed again while they do not change."""
    for arrival in found.arrivals:
        key = f"{arrival.folder}/{arrival.name}"
        if key in found.seen and arrival not in found.growing:  # one that was moved is gone
            found.seen[key][3] = 1.0
    files.write_text(_memory(folder), json.dumps(found.seen))


def move_taken(folder: FarmFolder, farm: Farm, found: Found) -> list[str]:
    """Move archived files whose source says so to ``taken/``; what cannot be moved is noted."""
    moving = {source.name: source for source in farm.sources if source.after == "move"}
    notes = []
    for arrival in found.arrivals:
        if arrival.source not in moving or arrival in found.growing:
            continue
        target = _free(files.deep(folder.root / arrival.folder) / TAKEN / arrival.name)
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            files.replace(arrival.path, target)
            found.seen.pop(f"{arrival.folder}/{arrival.name}", None)
        except OSError as error:
            notes.append(f"{arrival.name} could not be moved to {TAKEN}/: {error.strerror}.")
    return notes


def _free(target: Path) -> Path:
    """Return a name in ``taken/`` that no earlier file has."""
    number, free = 1, target
    while free.exists():
        number += 1
        free = target.with_name(f"{target.stem} ({number}){target.suffix}")
    return free


def files_of(root: Path, path: str, farm: Farm, *, taken: bool = False) -> Iterator[Path]:
    """Yield every file and link below ``root``, the folder ``path`` of farm.toml.

    But not those in another source's own folder, and those in ``taken/`` only if asked for.
    """
    deeper = _deeper(path, farm)
    for file in root.rglob("*"):
        if not (file.is_symlink() or file.is_file()):
            continue
        inside = file.relative_to(root).parts
        if (taken or inside[0] != TAKEN) and not any(file.is_relative_to(root / d) for d in deeper):
            yield file


def _deeper(path: str, farm: Farm) -> list[Path]:
    own = Path(path)
    others: list[Source] = [s for s in farm.sources if s.kind == "folder" and s.path != path]
    return [Path(s.path).relative_to(own) for s in others if Path(s.path).is_relative_to(own)]


def _is_passed_over(name: str) -> bool:
    low = name.lower()
    return low.startswith(NOT_OURS) or low.endswith(UNFINISHED) or low in NOT_FILES


def _memory(folder: FarmFolder) -> Path:
    return folder.state / "seen.json"
