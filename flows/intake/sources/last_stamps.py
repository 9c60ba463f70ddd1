"""Order files that are collected together: of two of one instrument, the one that ends later is later.

Where they contradict each other, the later one counts. Of a long text file only the beginning and
the end are read.
"""

import logging
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import polars as pl

from flows.farm import farm_file
from flows.intake.door.places import EARLY
from flows.intake.door.times import read_times
from flows.intake.readers.by_format import cutter_of
from flows.intake.readers.chunk import Content, Unreadable
from flows.intake.readers.sections import Section, together
from flows.intake.sources.match import Match
from flows.store.archive import Arrival
from flows.store.archive_bytes import PACKED_MARKS, WIDE_MARKS, blocks
from schemas.farm.farm import Farm
from schemas.farm.layout import BY_LINES, Layout

PEEK = 16 << 10  # bytes of the beginning and of the end of a text file
WHOLE = 16 << 20  # a larger file of another format is not read for this
AT_ONCE = 500  # files whose ends are parsed together
NEVER = datetime.min.replace(tzinfo=UTC)

log = logging.getLogger("checkstrip.last_stamps")


def in_order(found: Sequence[tuple[Arrival, Match | None]], farm: Farm) -> list[Arrival]:
    """Return arrivals in the order of receipt; ``found`` is in order of modification, then name.

    Where several are of one instrument, they change places among themselves: the last stamp in
    each decides first.
    """
    ordered = [arrival for arrival, _ in found]
    groups: dict[tuple[str | None, ...], list[int]] = {}
    for place, (_, match) in enumerate(found):
        if match is not None:
            named = (match.station, match.probe)
            groups.setdefault(named if any(named) else (match.source.name,), []).append(place)
    several = [group for group in groups.values() if len(group) > 1]
    last = _last_stamps([(p, *found[p]) for group in several for p in group], farm)
    for group in several:
        by_end = sorted(group, key=lambda place: (last.get(place, NEVER), place))
        for place, chosen in zip(group, by_end, strict=True):
            ordered[place] = found[chosen][0]
    return ordered


def _last_stamps(files: list[tuple[int, Arrival, Match | None]], farm: Farm) -> dict[int, datetime]:
    """Return the last time in each file that can be read; a time in the future does not count."""
    by_layout: dict[str, list[tuple[int, Path]]] = {}
    for place, arrival, match in files:
        if match is not None:
            by_layout.setdefault(match.source.layout, []).append((place, arrival.path))
    standard = timedelta(hours=farm_file.standard_offset_h(farm.place))
    latest = datetime.now(UTC) + EARLY
    found: dict[int, datetime] = {}
    for name, group in by_layout.items():
        layout = farm.layouts[name]
        for first in range(0, len(group), AT_ONCE):
            try:
                for rows in _rows(group[first : first + AT_ONCE], layout):
                    times = read_times(rows, layout, standard).filter(pl.col("time") <= latest)
                    ends = times.group_by("seq").agg(pl.col("time").max())
                    for place, end in ends.select("seq", "time").iter_rows():
                        found[place] = max(end, found.get(place, NEVER))
            except Exception:  # what is wrong with a file is said when it lands
                log.debug("ends of files by layout %s not read", name, exc_info=True)
    return found


def _rows(files: list[tuple[int, Path]], layout: Layout) -> Iterator[pl.DataFrame]:
    """Yield the rows at the files' ends, with the file's place as ``seq``."""
    sections: list[tuple[int, Section]] = []
    for place, path in files:
        try:
            for piece in cutter_of(layout)(_end_of(path, layout), layout):
                if isinstance(piece, Section):
                    sections.append((place, piece))
                elif not piece.frame.is_empty():
                    yield piece.frame.with_columns(seq=pl.lit(place, pl.Int64))
        except (Unreadable, OSError):
            continue  # what is wrong with it is said when it lands
    frames, alone = together(sections)
    yield from frames
    for place, section in alone:
        try:
            frame = section.parsed().frame
        except Unreadable:
            continue
        if not frame.is_empty():
            yield frame.with_columns(seq=pl.lit(place, pl.Int64))


def _end_of(path: Path, layout: Layout) -> Content:
    """Return a file as its readers take it: a long text file as one that goes on at its end."""
    size = path.stat().st_size
    head = next(blocks(path, 0, PEEK), b"")
    wide = head.startswith(WIDE_MARKS) or b"\x00" in head[:4]
    if layout.format not in BY_LINES or wide or head.startswith(PACKED_MARKS) or size <= 2 * PEEK:
        return Content(path.name, 0, lambda: iter(()), partial(_blocks, path, size))
    end = b"".join(blocks(path, size - PEEK))
    return Content(path.name, 1, _given(_whole_lines(head)), _given(end[end.find(b"\n") + 1 :]))


def _blocks(path: Path, size: int) -> Iterator[bytes]:
    return blocks(path) if size <= WHOLE else iter(())


def _whole_lines(text: bytes) -> bytes:
    return text[: text.rfind(b"\n") + 1]


def _given(text: bytes) -> Callable[[], Iterator[bytes]]:
    return lambda: iter([text])
