"""Deliveries of one layout are read together: archive → reader → door, in parts of bounded size."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

import polars as pl

from flows.intake.door.admit import Admitted, admit
from flows.intake.door.places import Places
from flows.intake.incoming import Incoming
from flows.intake.readers.by_format import cutter_of
from flows.intake.readers.chunk import Chunk, Content, Unreadable
from flows.intake.readers.sections import Section, together
from flows.intake.sources.match import unknown_name
from flows.intake.sources.takers import nearest_source
from flows.store.archive import Archive
from flows.store.archive_reader import DAMAGED
from flows.store.backup_objects import Damaged
from flows.store.receipts import Receipt
from schemas.farm.farm import Farm
from schemas.farm.layout import Layout

PARSED_BYTES = 8 << 20  # of small files' text that is parsed at once
PART_ROWS = 150_000  # readings of a large delivery that are merged at once: bounds the memory


def admit_by_layout(
    archive: Archive, farm: Farm, deliveries: list[Incoming], places: Places
) -> Iterator[Admitted]:
    """Yield what comes through the door, by layout, in parts of bounded size.

    A delivery that has a cause already is not read; one that cannot be read gets its cause.
    """
    by_layout: dict[str, list[Incoming]] = {}
    for delivery in deliveries:
        if delivery.cause:
            continue
        if delivery.match is None:
            delivery.cause = _no_source(delivery.receipt, farm, places)
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


def _no_source(receipt: Receipt, farm: Farm, places: Places) -> tuple[str, str, str]:
    """Return why no source takes a file: cause, found, expected."""
    expected = "a file that the path and glob of a source in farm.toml take; "
    if unknown := unknown_name(receipt, farm, places):
        expected += (
            f"farm.toml does not have {unknown}: if it was renamed, list both names on the sheet "
            "renames of the field book"
        )
    else:
        expected += nearest_source(receipt.folder, receipt.name, farm)
    return "no source matches", f"{receipt.folder}/{receipt.name}", expected


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
    own = sorted(absent & layout.columns.keys())
    reasons = [f"without the column {', '.join(own)}, which the layout names"] if own else []
    if strange := sorted(absent - layout.columns.keys()):
        reasons.append(f"farm.toml has no station or probe for the column {', '.join(strange)}")
    if reasons:
        delivery.reason = "; ".join(reasons)
