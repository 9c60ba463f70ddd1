"""Delimited text: any delimiter, decimal mark, encoding, preamble, units rows, repeated headings."""

from __future__ import annotations

import codecs
import csv
import re
from collections import deque
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace

from flows.base.plain_text import counted
from flows.intake.readers import preamble as above
from flows.intake.readers import stated_units
from flows.intake.readers.chunk import (
    Chunk,
    Content,
    Unreadable,
    absent_columns,
    faults,
    records,
    roles,
)
from flows.intake.readers.headings import HEAD_LINES, find_columns, heading_at, joined_headings
from flows.intake.readers.inner_lines import check_no_other_heading, is_heading, lines_of_words
from flows.intake.readers.sections import LineTexts, Section
from schemas.farm.layout import Layout

PIECE = 8 << 20  # bytes of text that are parsed at once: bounds the memory whatever the file's size
MOST_COLUMNS = 5_000  # no logger has a tenth of them; a million would cost minutes
LINE_LIMIT = 1 << 20  # no logger writes a line of a megabyte
MANGLED = "\ufffd"
LETTER = re.compile(rb"[^\W\d_]|[\x80-\xff]")


@dataclass(frozen=True, slots=True)
class Heading:
    """The headings in force.

    ``places``: role → place of its column; ``absent``: the layout's columns that are not there,
    and headings of instruments that farm.toml does not have.
    ``first``: the cells of their first row; ``mark``: how its line begins, to find it again further
    down; ``preamble``: the lines above it; ``facts``: what they say of all rows, by role.
    """

    names: tuple[str, ...]
    places: dict[str, int]
    absent: tuple[str, ...]
    first: tuple[str, ...]
    mark: bytes
    preamble: tuple[bytes, ...]
    facts: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Run:
    """Lines under one heading, from line number ``line`` on; ``stop``: why they cannot be read."""

    text: bytes
    heading: Heading
    line: int
    stop: Unreadable | None = None


def read(content: Content, layout: Layout) -> Iterator[Chunk]:
    """Yield the rows of delimited text in chunks of some megabytes; raises Unreadable."""
    return (section.parsed() for section in sections(content, layout))


def sections(content: Content, layout: Layout) -> Iterator[Section | Chunk]:
    """Cut delimited text into sections of some megabytes at most.

    A heading line that comes again (a logger restarted, its columns perhaps in a new order) opens
    a new section. From a line on that says that the layout does not hold for what follows, every
    line is rejected. Raises Unreadable where the heading or the columns are not found.
    """
    state: Run | None = None
    if content.lines_before:
        last = deque(_runs(content.before(), layout, None, 1), 1)
        if not last:
            raise Unreadable("nothing in it", "no lines", "a heading")
        state = last[0]
    for run in _runs(content.own(), layout, state, content.lines_before + 1):
        if run.stop is not None:
            yield _rejected(run, run.stop, layout)
        elif rows := run.text.rstrip(b"\n") + (b"\n" if run.text.endswith(b"\n") else b""):
            yield _section(rows, run, layout)


def _section(rows: bytes, run: Run, layout: Layout) -> Section:
    heading = run.heading
    return Section(
        rows,
        heading.names,
        heading.places,
        run.line,
        layout,
        heading.absent,
        facts=heading.facts,
    )


def _runs(
    blocks: Iterator[bytes], layout: Layout, state: Run | None, first_line: int
) -> Iterator[Run]:
    """Yield the lines of a file in order, cut where another heading comes into force.

    ``state``: the last run before them, None at the start of a file.
    """
    heading, stop = (state.heading, state.stop) if state else (None, None)
    for piece in _pieces(blocks, layout, at_start=state is None):
        text, line = piece, first_line
        first_line += piece.count(b"\n")
        if heading is None:
            heading, passed = _first_heading(text, layout)
            for row in text.split(b"\n", passed)[passed - layout.after_header : passed]:
                stated_units.check_row(_cells(row, layout), heading.places, layout)
            text, line = _from_line(text, passed), line + passed
        while stop is None and layout.header:
            at, stop = _next_turn(text, heading, layout)
            if at < 0:
                break
            yield Run(_without_preamble(text[:at], heading), heading, line)
            line += text.count(b"\n", 0, at)
            text = text[at:]
            if stop is None:
                heading, stop, passed = _heading_again(text, heading, layout)
                text, line = _from_line(text, passed), line + passed
            if stop is not None:
                found = f"{stop.found} in line {line}"
                stop = Unreadable(stop.cause, found, stop.expected)
        yield Run(text, heading, line, stop)


def _rejected(run: Run, why: Unreadable, layout: Layout) -> Chunk:
    """Return a chunk without rows: every line of the run that is not blank is a fault."""
    raw = LineTexts(run.text, run.line)
    wrong = [
        (run.line + i, "", "row", why.cause, why.found, why.expected)
        for i, line in enumerate(run.text.split(b"\n"))
        if line.strip()
    ]
    return replace(records([], [], layout, raw), faults=faults(wrong), absent=())


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
                "line too long",
                f"over {LINE_LIMIT:,} bytes without a line end",
                "lines of text",
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
    if b"\n" + codecs.BOM_UTF8 in text:  # files that were joined
        text = text.replace(b"\n" + codecs.BOM_UTF8, b"\n")
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
        raise Unreadable("nothing in it", counted(len(lines), "line"), f"rows after line {at}")
    rest = b"\n".join(lines[at:])
    return _heading(rest, layout, tuple(lines[:at])), at + layout.header + layout.after_header


def _heading(text: bytes, layout: Layout, preamble: tuple[bytes, ...]) -> Heading:
    """Return the headings that the first lines of ``text`` hold."""
    rows = [
        _cells(line, layout) for line in text.split(b"\n", layout.header + 1)[: layout.header or 1]
    ]
    first: tuple[str, ...] = ()
    mark, names = b"", [str(i + 1) for i in range(_width(rows[0], layout))]
    if layout.header:
        names = joined_headings(rows, max(len(row) for row in rows))
        first = tuple(rows[0])
        cell = text.split(b"\n", 1)[0].split(layout.delimiter.encode(), 1)
        mark = cell[0] + (layout.delimiter.encode() if len(cell) > 1 else b"")
    places = find_columns(names, layout, _alike, some="one or more of")
    known = above.facts([line.decode(errors="replace") for line in preamble], layout)
    absent = (*absent_columns(layout, places), *layout.of_nobody(names))
    return Heading(tuple(names), places, absent, first, mark, preamble, known)


def _width(row: list[str], layout: Layout) -> int:
    """Return how many columns a file without headings has, by its first row.

    If the last one is free text, the first row may have none of it or many words: then one column
    follows the last that the layout names.
    """
    if not layout.text_last:
        return len(row)
    places = [name for names in roles(layout).values() for name in names if name.isdecimal()]
    return max(map(int, places), default=len(row)) + 1


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


def _next_turn(text: bytes, heading: Heading, layout: Layout) -> tuple[int, Unreadable | None]:
    """Return where a heading line comes again, or a line that stops the file, and why; -1 for none."""
    at = -1
    if LETTER.search(heading.mark):
        at = 0 if text.startswith(heading.mark) else text.find(b"\n" + heading.mark) + 1 or -1
    known = {line[:8] for line in heading.preamble}
    whole = b"\n" + text
    for found in lines_of_words(layout.delimiter, layout.quote).finditer(whole):
        line = found[0][1:]
        if 0 <= at <= found.start():
            break
        if (
            not LETTER.search(line)
            or line[:8] in known
            or (layout.comment and line.startswith(layout.comment.encode()))
        ):
            continue
        try:
            cells = _cells(line, layout)
        except Unreadable:
            continue  # the parser names the line
        if is_heading(cells, heading.first, layout, _key):
            return found.start(), None
        try:
            if not stated_units.check_row(cells, heading.places, layout):
                check_no_other_heading(cells, len(heading.names), layout)
        except Unreadable as stop:
            return found.start(), stop
    return at, None


def _heading_again(
    text: bytes, before: Heading, layout: Layout
) -> tuple[Heading, Unreadable | None, int]:
    """Return a heading further down, why nothing can be read under it, and how many lines it takes.

    Below it are the rows that the layout skips, if the file wrote them again.
    """
    below, passed = _from_line(text, layout.header), layout.header
    words = lines_of_words(layout.delimiter, layout.quote)
    try:
        heading = _heading(text, layout, before.preamble)
        for _ in range(layout.after_header):
            line = below.split(b"\n", 1)[0]
            if not words.match(b"\n" + line):
                break
            stated_units.check_row(_cells(line, layout), heading.places, layout)
            below, passed = _from_line(below, 1), passed + 1
    except Unreadable as stop:
        return before, stop, 0
    return heading, None, passed


def _without_preamble(section: bytes, heading: Heading) -> bytes:
    """Blank out the preamble that a logger which restarts writes again before the heading."""
    if not heading.preamble:
        return section
    lines = section.split(b"\n")
    # The last line of a section is what stands before the heading: empty. Pairs go from the bottom up.
    pairs = zip(range(len(lines) - 2, -1, -1), reversed(heading.preamble), strict=False)
    for i, expected in pairs:
        if lines[i][:8] == expected[:8]:
            lines[i] = b""
    return b"\n".join(lines)


def _key(heading: str) -> str:
    """Return a heading without case, blanks and degree signs; UTF-8 that was read as cp1252 undone."""
    for encoding in ("cp1252", "latin-1"):
        with suppress(UnicodeError):
            heading = heading.encode(encoding).decode("utf-8")
            break
    return re.sub(r"[\s°º˚]+", "", heading).casefold()


def _alike(ours: str, theirs: str) -> bool:
    """Return whether a heading of the file is the layout's name.

    Exports mangle letters beyond ASCII: each may have become a replacement character, if most of
    the name is left.
    """
    if _key(ours) == _key(theirs):
        return True
    if MANGLED not in theirs:
        return False
    ours, theirs = ("".join(name.casefold().split()) for name in (ours, theirs))
    plain = "".join(c for c in ours if c.isascii())
    like = "".join("[^\\x00-\\x7f]" if c == MANGLED else re.escape(c) for c in theirs)
    return 2 * len(plain) >= len(ours) and re.fullmatch(like, ours) is not None
