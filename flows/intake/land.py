"""Lands archived deliveries: reads them by their layouts, through the door, into the warehouse.

Receipts are taken in the order in which they came, some hundred small ones or one large one at a
time, each such window in one transaction: receipts, readings, rejections and touched days together
or not at all. A delivery that cannot be read never stops the others.
"""

from __future__ import annotations

import logging
from collections.abc import Container, Iterator, Mapping
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from types import MappingProxyType

import duckdb
import polars as pl

from flows.base.progress import Tick, silent
from flows.intake import doubled_hours, flagged, merge, sources
from flows.intake.by_layout import admit_by_layout, content_of
from flows.intake.contradictions import Cause, Contradicted, Contradictory, cause_of
from flows.intake.door.admit import Admitted
from flows.intake.door.batch import TABLE_OF
from flows.intake.door.places import Places
from flows.intake.incoming import Incoming
from flows.intake.landing_counts import LandingCounts
from flows.store import warehouse, wide_rows
from flows.store.archive import Archive
from flows.store.receipts import Receipt
from schemas.farm.farm import Farm
from schemas.farm.layout import Layout
from schemas.quantities import Instrument

WINDOW_FILES = 500
WINDOW_BYTES = 16 << 20

NONE_KNOWN: Mapping[int, Cause] = MappingProxyType({})

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
                try:
                    with warehouse.transaction(con):
                        _land_window(con, places, read.result())
                except Contradictory as found:
                    causes = causes_of(archive, farm, places, window, found)
                    with warehouse.transaction(con):
                        _land_window(con, places, _read(archive, farm, places, window, causes))
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


@dataclass(slots=True)
class Known:
    """What an earlier try at landing found out.

    ``alone``: deliveries, by sequence, that have a window each. ``causes``: those that are rejected
    whole, since they contradict themselves.
    """

    alone: set[int] = field(default_factory=set)
    causes: dict[int, Cause] = field(default_factory=dict)


def land_within(
    con: duckdb.DuckDBPyConnection,
    archive: Archive,
    farm: Farm,
    receipts: list[Receipt],
    known: Known,
) -> None:
    """Land deliveries inside the caller's transaction; raises CannotLand, Contradictory.

    All windows are tried before it says which deliveries contradict themselves.
    """
    places = Places.of(farm)
    contradicted: dict[int, Contradicted] = {}
    with ThreadPoolExecutor(1, "reading") as reader:
        together = windows(receipts, known.alone)
        for window, read in _read_ahead(archive, farm, places, together, reader, known.causes):
            try:
                _land_window(con, places, read.result())
            except Contradictory as found:
                contradicted |= found.counts
            except (duckdb.Error, OSError, MemoryError):
                raise
            except Exception as error:
                raise CannotLand(window, error) from error
    if contradicted:
        raise Contradictory(contradicted)


def causes_of(
    archive: Archive, farm: Farm, places: Places, receipts: list[Receipt], found: Contradictory
) -> dict[int, Cause]:
    """Return why deliveries that contradict themselves are rejected, by sequence."""
    causes = {}
    for receipt in receipts:
        match = sources.match(receipt, farm, places) if receipt.sequence in found.counts else None
        if match is not None:
            layout = farm.layouts[match.source.layout]
            content = content_of(archive, receipt)
            causes[receipt.sequence] = cause_of(content, layout, found.counts[receipt.sequence])
    return causes


@dataclass(frozen=True, slots=True)
class _ReadWindow:
    """A window's deliveries with what came through the door, in parts.

    ``zoned``: the layouts whose clock follows a zone, by sequence.
    """

    deliveries: list[Incoming]
    parts: Iterator[Admitted]
    zoned: dict[int, Layout]


def _read(
    archive: Archive,
    farm: Farm,
    places: Places,
    window: list[Receipt],
    causes: Mapping[int, Cause],
) -> _ReadWindow:
    """Read a window of deliveries; those that have a cause already are rejected by it."""
    deliveries = [
        Incoming(r, sources.match(r, farm, places), cause=causes.get(r.sequence)) for r in window
    ]
    parts = admit_by_layout(archive, farm, deliveries, places)
    # several are merged at once, so that the order of receipt decides across layouts
    layouts = {d.seq: farm.layouts[d.match.source.layout] for d in deliveries if d.match}
    zoned = {seq: layout for seq, layout in layouts.items() if layout.time.zone}
    return _ReadWindow(deliveries, parts if len(window) == 1 else iter(list(parts)), zoned)


def _read_ahead(  # noqa: PLR0917
    archive: Archive,
    farm: Farm,
    places: Places,
    together: Iterator[list[Receipt]],
    reader: Executor,
    causes: Mapping[int, Cause] = NONE_KNOWN,
) -> Iterator[tuple[list[Receipt], Future[_ReadWindow]]]:
    """Windows, each being read while the one before it is merged: the two want different things."""
    before: tuple[list[Receipt], Future[_ReadWindow]] | None = None
    for window in together:
        after = window, reader.submit(_read, archive, farm, places, window, causes)
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
    counts.check_contradictions()
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
            new = wide_rows.joined(found, TABLE_OF[kind])
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
