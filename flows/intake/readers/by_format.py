"""Which module reads a layout's format, for plain and for packed deliveries."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from importlib import import_module

from flows.intake.readers import packed
from flows.intake.readers.chunk import Chunk, Content
from flows.intake.readers.packed import Reader
from schemas.farm.layout import Layout

# Formats whose module has another name than the format; every other format is its module's name.
MODULES = {
    **dict.fromkeys(("ndjson", "json", "sensorthings"), "json_records"),
    **dict.fromkeys(("uscrn_daily", "uscrn_hourly"), "uscrn"),
    "xlsx": "workbook",
    "fixed": "fixed_width",
}


def reader_of(layout: Layout) -> Callable[[Content, Layout], Iterator[Chunk]]:
    """Return the reader of a layout's format; it raises Unreadable."""
    cut = cutter_of(layout)
    return lambda content, layout: (piece.parsed() for piece in cut(content, layout))


def cutter_of(layout: Layout) -> Reader:
    """Return the same reader, but one that leaves sections unparsed, to parse many at once."""
    # by name, for start-up time: a farm has few formats
    module = import_module(f"flows.intake.readers.{MODULES.get(layout.format, layout.format)}")
    reader: Reader = getattr(module, "sections", module.read)
    return lambda content, layout: packed.read(content, layout, reader)
