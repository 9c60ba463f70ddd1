"""Delimited text: any delimiter, decimal mark, encoding, preamble, units rows, repeated headings."""

from __future__ import annotations

import codecs
import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass

from flows.intake.readers.chunk import Chunk, Content, Unreadable, absent_columns
from flows.intake.readers.headings import HEAD_LINES, find_columns, heading_at, joined_headings
from flows.intake.readers.sections import Section
from schemas.farm.layout import Layout

PIECE = 8 << 20  # bytes of text that are parsed at once: bounds the memory whatever the file's size
MOST_COLUMNS = 5_000  # no logger has a tenth of them; a million would cost minutes
LINE_LIMIT = 1 << 20  # no logger writes a line of a megabyte


@dataclass(frozen=True, slots=True)
class Heading:
    """The headings in force, and how their line begins (to find it again further down).

    ``cells`` are the headings of the time columns as cells between delimiters: a heading line that
    comes again with its columns in another order still has them. Text without any of ``words``
    has no heading line (to search for these is ten times faster than for cells).
    """

    names: tuple[str, ...]
    mark: bytes
    preamble: tuple[bytes, ...]
    cells: tuple[bytes, ...] = ()
    words: tuple[bytes, ...] = ()


def read(content: Content, layout: Layout) -> Iterator[Chunk]:
    """Yield the rows of delimited text in chunks of some megabytes; raises Unreadable."""
    return (section.parsed() for section in sections(content, layout))


def sections(content: Content, layout: Layout) -> Iterator[Section]:
    """Cut delimited text into sections of some megabytes at most.

    A heading line that comes again (a logger restarted, its columns perhaps in a new order) opens
    a new section. Raises Unreadable where the heading or the columns are not found.
    """
    heading: Heading | None = None
    first_line = content.lines_before + 1
    if content.lines_before:
        heading = _heading_in_force(content, layout)
    for piece in _pieces(content.own(), layout, at_start=not content.lines_before):
        text, skipped = piece, 0
        if heading is None:
            heading, skipped = _first_heading(text, layout)
            _find_columns(heading, layout)  # a file without rows must have the right headings too
            text = _from_line(text, skipped)
        line = first_line + skipped
        first_line += piece.count(b"\n")
        while True:
            again = _next_heading(text, heading) if layout.header else -1
            section = text if again < 0 else text[:again]
            if section:
                places, absent = _find_columns(heading, layout)
                rows = _without_preamble(section, heading, again >= 0)
                rows = rows.rstrip(b"\n") + (b"\n" if rows.endswith(b"\n") else b"")
                yield Section(rows, heading.names, places, line, layout, absent)
            if again < 0:
                break
            line += section.count(b"\n")
            text = text[again:]
            heading = _heading(text, layout, heading.preamble)
            passed = layout.header + layout.after_header
            text, line = _from_line(text, passed), line + passed


def _pieces(blocks: Iterator[bytes], layout: Layout, *, at_start: bool) -> Iterator[bytes]:
    """Yield UTF-8 text in pieces that end with a line end (but for an unterminated last line)."""
    decoder = None
    if codecs.lookup(layout.encoding).name not in ("utf-8", "utf-8-sig", "ascii"):
        decoder = codecs.getincrementaldecoder(layout.encoding)(errors="replace")
    rest, first = b"", at_start
    for block in blocks:
        text = block if decoder is None else decoder.decode(block).encode()
        if first:
            text, first = text.removeprefix(codecs.BOM_UTF8), False
        rest += text
        if len(rest) < PIECE:
            continue
        end = rest.rfind(b"\n") + 1
        if end:
            yield _tidy(rest[:end], layout)
            rest = rest[end:]
        elif len(rest) > LINE_LIMIT + PIECE:
            raise Unreadable(
                "line too long", f"over {LINE_LIMIT:,} bytes without a line end", "lines of text"
            )
    if decoder is not None:
        rest += decoder.decode(b"", final=True).encode()
    if rest:
        yield _tidy(rest, layout)


def _tidy(text: bytes, layout: Layout) -> bytes:
    """Return one kind of line end; runs of blanks as one where blanks are the delimiter."""
    if b"\r" in text:
        text = text.replace(b"\r\n", b"\n")
        if b"\n" not in text:
            text = text.replace(b"\r", b"\n")
    if layout.delimiter == " ":
        text = re.sub(rb"[ \t]+", b" ", text)
        text = re.sub(rb"(?m)^ | $", b"", text)
    return text


def _from_line(text: bytes, number: int) -> bytes:
    """Return the text without its first ``number`` lines."""
    at = 0
    for _ in range(number):
        end = text.find(b"\n", at)
        if end < 0:
            return b""
        at = end + 1
    return text[at:]


def _first_heading(text: bytes, layout: Layout) -> tuple[Heading, int]:
    """Return the heading at the top of a file, and how many lines to pass over to the first row."""
    lines = text.split(b"\n", HEAD_LINES)[:HEAD_LINES]
    at = layout.skip
    if layout.header_starts is not None:
        starts = (line.decode(errors="replace").lstrip(' "') for line in lines)
        within = f" in the first {len(lines)}"
        at = heading_at(starts, layout.header_starts, within=within)
    if at >= len(lines) or not any(line.strip() for line in lines[at:]):
        raise Unreadable("nothing in it", f"{len(lines)} lines", f"rows after line {at}")
    rest = b"\n".join(lines[at:])
    return _heading(rest, layout, tuple(lines[:at])), at + layout.header + layout.after_header


def _heading(text: bytes, layout: Layout, preamble: tuple[bytes, ...]) -> Heading:
    """Return the headings that the first lines of ``text`` hold."""
    if layout.header == 0:
        cells = _cells(text.split(b"\n", 1)[0], layout)
        return Heading(tuple(str(i + 1) for i in range(len(cells))), b"", preamble)
    rows = [_cells(line, layout) for line in text.split(b"\n", layout.header)[: layout.header]]
    width = max(len(row) for row in rows)
    names = joined_headings(rows, width)
    cell = text.split(b"\n", 1)[0].split(layout.delimiter.encode(), 1)
    mark = cell[0] + (layout.delimiter.encode() if len(cell) > 1 else b"")
    times = [name.encode() for name in layout.time.columns if name in names]
    whole = len(times) == len(layout.time.columns) and layout.header == 1
    first = cell[0].strip(layout.quote.encode() or None)
    if not whole:
        return Heading(tuple(names), mark, preamble, words=(first,))
    return Heading(tuple(names), mark, preamble, _as_cells(times, layout), (first, times[0]))


def _cells(line: bytes, layout: Layout) -> list[str]:
    """Return the cells of a heading line; raises Unreadable where it is none."""
    width = line.count(layout.delimiter.encode()) + 1
    if width > MOST_COLUMNS and layout.delimiter != " ":
        raise Unreadable("too many columns", f"{width:,}", f"at most {MOST_COLUMNS:,}")
    text = line.decode(errors="replace")
    try:
        return next(csv.reader([text], delimiter=layout.delimiter, quotechar=layout.quote), [])
    except csv.Error as error:
        raise Unreadable("heading not read", text[:80], "headings in one line") from error


def _as_cells(names: list[bytes], layout: Layout) -> tuple[bytes, ...]:
    """Return the first of the names as it stands between the cells of a line."""
    delimiter, quote = layout.delimiter.encode(), layout.quote.encode()
    return tuple(
        before + name + after
        for name in (names[0], quote + names[0] + quote)
        for before, after in ((delimiter, delimiter), (delimiter, b"\n"), (b"\n", delimiter))
    )


def _next_heading(text: bytes, heading: Heading) -> int:
    """Where a heading line begins again, or -1."""
    if not heading.mark.strip() or not any(word in text for word in heading.words):
        return -1
    if text.startswith((heading.mark, *(c[1:] for c in heading.cells if c.startswith(b"\n")))):
        return 0
    at = text.find(b"\n" + heading.mark)
    found = [text.find(cell) for cell in heading.cells]
    starts = [text.rfind(b"\n", 0, place + 1) for place in found if place >= 0]
    places = [place + 1 for place in (*starts, at) if place >= 0]
    places += [0 for start in starts if start < 0]
    return min(places, default=-1)


def _heading_in_force(content: Content, layout: Layout) -> Heading:
    """Return the last heading before a continued file's own rows."""
    heading: Heading | None = None
    for piece in _pieces(content.before(), layout, at_start=True):
        text = piece
        if heading is None:
            heading, skipped = _first_heading(text, layout)
            text = _from_line(text, skipped)
        while layout.header and (at := _next_heading(text, heading)) >= 0:
            heading = _heading(text[at:], layout, heading.preamble)
            text = _from_line(text[at:], layout.header)
    if heading is None:
        raise Unreadable("nothing in it", "no lines", "a heading")
    return heading


def _without_preamble(section: bytes, heading: Heading, before_heading: bool) -> bytes:
    """Blank out the preamble that a logger which restarts writes again before the heading."""
    if not before_heading or not heading.preamble:
        return section
    lines = section.split(b"\n")
    tail = range(max(0, len(lines) - 1 - len(heading.preamble)), len(lines) - 1)
    for i, expected in zip(tail, heading.preamble[-len(tail) :], strict=True):
        if lines[i][:8] == expected[:8]:
            lines[i] = b""
    return b"\n".join(lines)


def _key(heading: str) -> str:
    """Return a heading without what exports mangle: case, blanks, a wrongly encoded degree sign.

    One that is mostly of other letters than these is left whole: without them it would be any.
    """
    whole = "".join(heading.casefold().split())
    plain = "".join(c for c in whole if c.isascii())
    return plain if 2 * len(plain) >= len(whole) else whole


def _find_columns(heading: Heading, layout: Layout) -> tuple[dict[str, int], tuple[str, ...]]:
    """Return role → place of its column, and the layout's columns that are not there."""
    places = find_columns(heading.names, layout, _key, some="one or more of")
    return places, absent_columns(layout, places)
