"""Lands archived deliveries: reads them by their layouts, through the door, into the warehouse.

Receipts are taken in the order in which they came, some hundred small ones or one large one at a
time, each such window in one transaction: receipts, readings, rejections and touched days together
or not at all. A delivery that cannot be read never stops the others.
"""

from __future__ import annotations

import logging
from collections.abc import Container, Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial

import duckdb
import polars as pl

from flows.base.progress import Tick, silent
from flows.intake import doubled_hours, flagged, merge, sources
from flows.intake.door.admit import Admitted, admit
from flows.intake.door.places import Places
from flows.intake.landing_counts import Incoming, LandingCounts
from flows.intake.readers.by_format import cutter_of
from flows.intake.readers.chunk import Chunk, Content, Unreadable
from flows.intake.readers.sections import Section, together
from flows.store import warehouse
from flows.store.archive import Archive
from flows.store.archive_reader import DAMAGED
from flows.store.backup_objects import Damaged
from flows.store.receipts import Receipt
from schemas.farm.farm import Farm
from schemas.farm.layout import Layout
from schemas.quantities import Instrument

WINDOW_FILES = 500
WINDOW_BYTES = 16 << 20
PARSED_BYTES = 8 << 20  # of small files' text that is parsed at once
PART_ROWS = 150_000  # readings of a large delivery that are merged at once: bounds the memory

log = logging.getLogger("checkstrip.land")


def land(
    con: duckdb.DuckDBPyConnection,
    archive: Archive,
    farm: Farm,
    receipts: list[Receipt],
    tick: Tick = silent,
) -> None:
    """Land instrument deliveries (in order of receipt); each window is a transaction of its own."""
    places = Places.of(farm)
    total, done = sum(r.size - r.offset for r in receipts), 0
    with ThreadPoolExecutor(1, "reading") as reader:
        for window, read in _read_ahead(archive, farm, places, windows(receipts), reader):
            tick("reading files", done, total)
            try:
                with warehouse.transaction(con):
                    _land_window(con, places, read.result())
            except (duckdb.Error, OSError, MemoryError):
                raise
            except Exception as error:
                if len(window) == 1:
                    _reject(con, farm, places, window[0], error)
                else:  # one of them does what nobody thought of: find it, land the others
                    for receipt in window:
                        land(con, archive, farm, [receipt])
            done += sum(r.size - r.offset for r in window)
    tick("reading files", total, total)


class CannotLand(Exception):
    """A window of deliveries does what nobody thought of; the caller's transaction is void."""

    def __init__(self, window: list[Receipt], error: Exception) -> None:
        super().__init__(str(error))
        self.window, self.error = window, error


def land_within(
    con: duckdb.DuckDBPyConnection,
    archive: Archive,
    farm: Farm,
    receipts: list[Receipt],
    alone: set[int],
) -> None:
    """Land deliveries inside the caller's transaction; raises CannotLand.

    Deliveries whose sequence is in ``alone`` have a window each.
    """
    places = Places.of(farm)
    with ThreadPoolExecutor(1, "reading") as reader:
        for window, read in _read_ahead(archive, farm, places, windows(receipts, alone), reader):
            try:
                _land_window(con, places, read.result())
            except (duckdb.Error, OSError, MemoryError):
                raise
            except Exception as error:
                raise CannotLand(window, error) from error


@dataclass(frozen=True, slots=True)
class _ReadWindow:
    """A window's deliveries with what came through the door, in parts.

    ``zoned``: the layouts whose clock follows a zone, by sequence.
    """

    deliveries: list[Incoming]
    parts: Iterator[Admitted]
    zoned: dict[int, Layout]


def _read_ahead(
    archive: Archive,
    farm: Farm,
    places: Places,
    together: Iterator[list[Receipt]],
    reader: Executor,
) -> Iterator[tuple[list[Receipt], Future[_ReadWindow]]]:
    """Windows, each being read while the one before it is merged: the two want different things."""

    def read(window: list[Receipt]) -> _ReadWindow:
        deliveries = [Incoming(r, sources.match(r, farm, places)) for r in window]
        parts = _admit_by_layout(archive, farm, deliveries, places)
        # several are merged at once, so that the order of receipt decides across layouts
        layouts = {d.seq: farm.layouts[d.match.source.layout] for d in deliveries if d.match}
        zoned = {seq: layout for seq, layout in layouts.items() if layout.time.zone}
        return _ReadWindow(deliveries, parts if len(window) == 1 else iter(list(parts)), zoned)

    before: tuple[list[Receipt], Future[_ReadWindow]] | None = None
    for window in together:
        after = window, reader.submit(read, window)
        if before is not None:
            yield before
        before = after
    if before is not None:
        yield before


def windows(
    receipts: list[Receipt], alone: Container[int] = frozenset()
) -> Iterator[list[Receipt]]:
    """Yield neighbors in the order of receipt that land together; those in ``alone`` by themselves.

    A file that came again under its name waits for the earlier one: what it no longer says is
    noted.
    """
    window: list[Receipt] = []
    names: set[tuple[str | None, str]] = set()
    size = 0
    for receipt in receipts:
        own = receipt.size - receipt.offset
        apart = receipt.sequence in alone or (window and window[-1].sequence in alone)
        named = receipt.folder, receipt.name
        apart = apart or (receipt.kind == "file" and not receipt.continues and named in names)
        if window and (apart or len(window) >= WINDOW_FILES or size + own > WINDOW_BYTES):
            yield window
            window, size, names = [], 0, set()
        window.append(receipt)
        names.add(named)
        size += own
    if window:
        yield window


def _land_window(con: duckdb.DuckDBPyConnection, places: Places, read: _ReadWindow) -> None:
    counts = LandingCounts({delivery.seq: delivery for delivery in read.deliveries})
    counts.find_earlier(con)
    if len(read.deliveries) == 1:  # a large one: part by part, to bound the memory
        for admitted in read.parts:
            _merge(con, [admitted], places, counts, read.zoned)
    else:
        _merge(con, list(read.parts), places, counts, read.zoned)
    counts.write(con)


def _merge(
    con: duckdb.DuckDBPyConnection,
    parts: list[Admitted],
    places: Places,
    counts: LandingCounts,
    zoned: dict[int, Layout],
) -> None:
    """Land what came through the door, and count what became of each row and value."""
    if not parts:
        return
    merged = []
    flags = pl.concat(part.flagged for part in parts)
    for kind in Instrument:
        found = [part.readings[kind] for part in parts if kind in part.readings]
        if found:
            new = pl.concat(found, how="diagonal")
            doubled_hours.take_out(con, kind, new, counts.earlier, zoned)
            counts.note_gone(con, kind, new)
            of_station = pl.col("depth_cm") < 0
            own = flags.filter(of_station if kind is Instrument.STATION else ~of_station)
            merged.append(
                merge.merge(con, kind, new, counts.names, places.farm, withheld=not own.is_empty())
            )
            flagged.keep(con, kind, new, own, counts.names)
            counts.note_times(new)
    counts.count_part(parts, merged)


def _admit_by_layout(
    archive: Archive, farm: Farm, deliveries: list[Incoming], places: Places
) -> Iterator[Admitted]:
    """Yield what comes through the door, by layout, in parts of bounded size."""
    by_layout: dict[str, list[Incoming]] = {}
    for delivery in deliveries:
        if delivery.match is None:
            delivery.cause = (
                "no source matches",
                f"{delivery.receipt.folder}/{delivery.receipt.name}",
                "a file that the path and glob of a source in farm.toml take",
            )
        else:
            by_layout.setdefault(delivery.match.source.layout, []).append(delivery)
    for name, group in by_layout.items():
        layout, senders = farm.layouts[name], _senders(group)
        frames: list[pl.DataFrame] = []
        for frame in _read_frames(archive, group, layout):
            height = sum(f.height for f in frames)
            if frames and (frame.columns != frames[0].columns or height > PART_ROWS):
                yield admit(join_frames(frames, layout), layout, senders, places)
                frames = []
            frames.append(frame)
        if frames:
            yield admit(join_frames(frames, layout), layout, senders, places)


def _read_frames(archive: Archive, group: list[Incoming], layout: Layout) -> Iterator[pl.DataFrame]:
    """Yield the rows of deliveries of one layout, small ones parsed together."""
    by_seq = {delivery.seq: delivery for delivery in group}
    waiting: list[tuple[int, Section]] = []
    size = 0
    for delivery in group:
        for piece in _cut(archive, delivery, layout):
            if isinstance(piece, Section):
                waiting.append((delivery.seq, piece))
                size += len(piece.text)
                if size >= PARSED_BYTES:
                    yield from _parse_sections(waiting, by_seq)
                    waiting, size = [], 0
            else:
                yield from _note_chunk(delivery, piece)
    yield from _parse_sections(waiting, by_seq)


def _parse_sections(
    sections: list[tuple[int, Section]], by_seq: dict[int, Incoming]
) -> Iterator[pl.DataFrame]:
    frames, alone = together(sections)
    for seq, section in sections:
        by_seq[seq].keep_text(section)
    yield from frames
    for seq, section in alone:
        try:
            yield from _note_chunk(by_seq[seq], section.parsed())
        except Unreadable as error:
            found = f"{section.member}: {error.found}" if section.member else error.found
            by_seq[seq].cause = by_seq[seq].cause or (error.cause, found, error.expected)


def _note_chunk(delivery: Incoming, chunk: Chunk) -> Iterator[pl.DataFrame]:
    delivery.add_chunk(chunk)
    if not chunk.frame.is_empty():
        seq = pl.lit(delivery.seq, pl.Int64).alias("seq")
        yield chunk.frame.select(seq, pl.all())


def join_frames(frames: list[pl.DataFrame], layout: Layout) -> pl.DataFrame:
    """Return frames of one layout as one: a column that is text in one file is text in all.

    Numbers become text by the layout's own decimal mark, as the door will read them.
    """
    text = {
        name
        for frame in frames
        for name, kind in frame.schema.items()
        if kind == pl.String and any(f.schema[name] != pl.String for f in frames)
    }
    if not text:
        return pl.concat(frames)
    return pl.concat(
        frame.with_columns(_as_text(frame, name, layout) for name in sorted(text))
        for frame in frames
    )


def _as_text(frame: pl.DataFrame, name: str, layout: Layout) -> pl.Expr:
    if frame.schema[name] == pl.String:
        return pl.col(name)
    return pl.col(name).cast(pl.String).str.replace(".", layout.decimal, literal=True)


def _senders(group: list[Incoming]) -> pl.DataFrame:
    schema = {
        "seq": pl.Int64(),
        "station": pl.String(),
        "probe": pl.String(),
        "received_at": pl.Datetime("us", "UTC"),
    }
    rows = [
        (r.seq, r.match.station, r.match.probe, r.receipt.received_at)
        for r in group
        if r.match is not None
    ]
    return pl.DataFrame(rows, schema=schema, orient="row")


def content_of(archive: Archive, receipt: Receipt) -> Content:
    """Return a delivery's bytes as the readers take them."""
    return Content(
        name=receipt.name,
        lines_before=receipt.lines_before,
        before=partial(archive.blocks, receipt, 0, receipt.offset),
        own=partial(archive.blocks, receipt, receipt.offset),
    )


def _cut(archive: Archive, delivery: Incoming, layout: Layout) -> Iterator[Chunk | Section]:
    """Yield a delivery as its reader cuts it; what cannot be read is noted on it."""
    content = content_of(archive, delivery.receipt)
    absent: set[str] = set()
    try:
        for piece in cutter_of(layout)(content, layout):
            absent |= set(piece.absent)
            yield piece
    except Unreadable as error:
        delivery.cause = (error.cause, error.found, error.expected)
    except Damaged as damaged:
        delivery.cause = (DAMAGED, damaged.found, damaged.expected)
    if absent:
        delivery.reason = f"without the column {', '.join(sorted(absent))}, which the layout names"


def _reject(
    con: duckdb.DuckDBPyConnection, farm: Farm, places: Places, receipt: Receipt, error: Exception
) -> None:
    """Reject a delivery that does what nobody thought of; its bytes stay in the archive."""
    log.error("delivery %s (%s) could not be read", receipt.sequence, receipt.name, exc_info=error)
    delivery = Incoming(receipt, sources.match(receipt, farm, places))
    delivery.cause = (
        "could not be read",
        f"{type(error).__name__}: {error}"[:200],
        "a readable file",
    )
    with warehouse.transaction(con):
        LandingCounts({receipt.sequence: delivery}).write(con)
