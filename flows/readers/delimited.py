"""Delimited text: any delimiter, decimal mark, encoding, preamble, units rows, repeated headings."""

from __future__ import annotations

import codecs
import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass

import polars as pl

from flows.readers import (
    Chunk,
    Content,
    Unreadable,
    faults,
    is_value,
    missing_words,
    roles,
)
from schemas.layout import Layout

PIECE = 8 << 20  # bytes of text that are parsed at once: bounds the memory whatever the file's size
HEAD_LINES = 400  # a heading that has not come by this line is not looked for further
LINE_LIMIT = 1 << 20  # no logger writes a line of a megabyte
END = "\x1e"  # put at every line's end, so that a line with too few or too many fields shows
FIELDS = "__end"


@dataclass(frozen=True, slots=True)
class Heading:
    """The headings in force, and how their line begins (to find it again further down).

    ``cells`` are the headings of the time columns as cells between delimiters: a heading line that
    comes again with its columns in another order still has them.
    """

    names: tuple[str, ...]
    mark: bytes
    preamble: tuple[bytes, ...]
    cells: tuple[bytes, ...] = ()


def read(content: Content, layout: Layout) -> Iterator[Chunk]:
    """Yield the rows of delimited text in chunks of some megabytes.

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
            _find(heading, layout)  # a file without rows must have the right headings too
            text = _from_line(text, skipped)
        line = first_line + skipped
        first_line += piece.count(b"\n")
        while True:
            again = _next_heading(text, heading) if layout.header else -1
            section = text if again < 0 else text[:again]
            if section:
                yield _parse(_without_preamble(section, heading, again >= 0), heading, layout, line)
            if again < 0:
                break
            line += section.count(b"\n")
            text = text[again:]
            heading = _heading(text, layout, heading.preamble)
            passed = layout.header + layout.after_header
            text, line = _from_line(text, passed), line + passed


def _pieces(blocks: Iterator[bytes], layout: Layout, *, at_start: bool) -> Iterator[bytes]:
    """UTF-8 text in pieces that end with a line end (but for an unterminated last line)."""
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
    """One kind of line end; runs of blanks as one where blanks are the delimiter."""
    if b"\r" in text:
        text = text.replace(b"\r\n", b"\n")
        if b"\n" not in text:
            text = text.replace(b"\r", b"\n")
    if layout.delimiter == " ":
        text = re.sub(rb"[ \t]+", b" ", text)
        text = re.sub(rb"(?m)^ | $", b"", text)
    return text


def _from_line(text: bytes, number: int) -> bytes:
    """The text without its first ``number`` lines."""
    at = 0
    for _ in range(number):
        end = text.find(b"\n", at)
        if end < 0:
            return b""
        at = end + 1
    return text[at:]


def _first_heading(text: bytes, layout: Layout) -> tuple[Heading, int]:
    """The heading at the top of a file, and how many lines to pass over to the first row."""
    lines = text.split(b"\n", HEAD_LINES)[:HEAD_LINES]
    at = layout.skip
    if layout.header_starts is not None:
        wanted = layout.header_starts.strip().casefold()
        at = next(
            (
                i
                for i, line in enumerate(lines)
                if line.decode(errors="replace").lstrip(' "').casefold().startswith(wanted)
            ),
            -1,
        )
        if at < 0:
            raise Unreadable(
                "no heading line",
                f"no line that begins with '{layout.header_starts}' in the first {len(lines)}",
                f"a heading that begins with '{layout.header_starts}'",
            )
    if at >= len(lines) or not any(line.strip() for line in lines[at:]):
        raise Unreadable("nothing in it", f"{len(lines)} lines", f"rows after line {at}")
    rest = b"\n".join(lines[at:])
    return _heading(rest, layout, tuple(lines[:at])), at + layout.header + layout.after_header


def _heading(text: bytes, layout: Layout, preamble: tuple[bytes, ...]) -> Heading:
    """The headings that the first lines of ``text`` hold."""
    if layout.header == 0:
        cells = next(
            csv.reader(
                [text.split(b"\n", 1)[0].decode(errors="replace")], delimiter=layout.delimiter
            )
        )
        return Heading(tuple(str(i + 1) for i in range(len(cells))), b"", preamble)
    lines = [
        line.decode(errors="replace") for line in text.split(b"\n", layout.header)[: layout.header]
    ]
    rows = [
        next(csv.reader([line], delimiter=layout.delimiter, quotechar=layout.quote), [])
        for line in lines
    ]
    width = max(len(row) for row in rows)
    names: list[str] = []
    for i in range(width):
        name = " ".join(row[i].strip() for row in rows if i < len(row) and row[i].strip())
        name = name or f"column {i + 1}"
        names.append(name if name not in names else f"{name}#{names.count(name) + 1}")
    cell = text.split(b"\n", 1)[0].split(layout.delimiter.encode(), 1)
    mark = cell[0] + (layout.delimiter.encode() if len(cell) > 1 else b"")
    times = [name.encode() for name in layout.time.columns if name in names]
    whole = len(times) == len(layout.time.columns) and layout.header == 1
    return Heading(tuple(names), mark, preamble, _as_cells(times, layout) if whole else ())


def _as_cells(names: list[bytes], layout: Layout) -> tuple[bytes, ...]:
    """The first of the names as it stands between the cells of a line."""
    delimiter, quote = layout.delimiter.encode(), layout.quote.encode()
    return tuple(
        before + name + after
        for name in (names[0], quote + names[0] + quote)
        for before, after in ((delimiter, delimiter), (delimiter, b"\n"), (b"\n", delimiter))
    )


def _next_heading(text: bytes, heading: Heading) -> int:
    """Where a heading line begins again, or -1."""
    if not heading.mark.strip():
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
    """The last heading before a continued file's own rows."""
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
    """A logger that restarts may write its preamble again before the heading: blank it out."""
    if not before_heading or not heading.preamble:
        return section
    lines = section.split(b"\n")
    tail = range(max(0, len(lines) - 1 - len(heading.preamble)), len(lines) - 1)
    for i, expected in zip(tail, heading.preamble[-len(tail) :], strict=True):
        if lines[i][:8] == expected[:8]:
            lines[i] = b""
    return b"\n".join(lines)


def _key(heading: str) -> str:
    """A heading without what exports mangle: case, blanks, a degree sign in the wrong encoding."""
    return "".join(c for c in heading.casefold() if c.isascii() and not c.isspace())


def _find(heading: Heading, layout: Layout) -> tuple[dict[str, int], tuple[str, ...]]:
    """Role → place of its column, and the names of the layout's columns that are not there."""
    exact = {name: i for i, name in reversed(list(enumerate(heading.names)))}
    loose = {_key(name): i for i, name in reversed(list(enumerate(heading.names)))}
    places: dict[str, int] = {}
    absent: list[str] = []
    wanted = roles(layout)
    for role, names in wanted.items():
        place = next((exact[n] for n in names if n in exact), None)
        if place is not None:
            places[role] = place
    for role, names in wanted.items():
        if role in places:
            continue
        taken = set(places.values())
        near = (loose[_key(n)] for n in names if _key(n) in loose)
        place = next((p for p in near if p not in taken), None)
        if place is not None:
            places[role] = place
        elif not role.startswith("v:"):
            found = f"the headings {', '.join(heading.names)}"[:500]
            raise Unreadable("no such column", found, f"a column '{names[0]}'")
        elif not layout.columns[role[2:]].optional:
            absent.append(role[2:])
    if not any(map(is_value, places)):
        raise Unreadable(
            "none of the layout's columns",
            f"the headings {', '.join(heading.names)}"[:500],
            f"one or more of {', '.join(layout.columns)}",
        )
    return places, tuple(absent)


def _parse(section: bytes, heading: Heading, layout: Layout, first_line: int) -> Chunk:
    """The rows of one section under one heading."""
    places, absent = _find(heading, layout)
    lines = section.count(b"\n") + (not section.endswith(b"\n"))
    raw = Lines(section, first_line)
    frame = _frame(section, heading, layout, places)
    odd: list[int] = []
    if frame is None or frame.height != lines:
        section, odd = _without_odd_quotes(section)
        frame = _frame(section, heading, layout, places)
        if frame is None or frame.height != lines:
            raise Unreadable("quotes that do not pair", "a quoted line end", "one row a line")
    frame = frame.with_columns(pl.int_range(first_line, first_line + lines).alias("line"))
    good = (pl.col(FIELDS) == END).fill_null(False) & ~pl.col("line").is_in(
        [first_line + i for i in odd]
    )
    if layout.comment:
        frame = frame.filter(~pl.col("time_0").fill_null("").str.starts_with(layout.comment))
    empty = pl.col("time_0").fill_null("").str.strip_chars().is_in(["", END])
    suspects = frame.filter(~good | empty)["line"].to_list()
    blank = [n for n in suspects if not raw(n).strip(layout.delimiter + " \t\x00")]
    if blank:
        frame = frame.filter(~pl.col("line").is_in(blank))
    broken = frame.filter(~good)["line"].to_list()
    width, delimiter = len(heading.names), layout.delimiter
    wrong = [
        (n, "", "row", *_broken(raw(n), delimiter, width, n - first_line in odd)) for n in broken
    ]
    kept = frame.filter(good).select("line", *places)
    return Chunk(kept, faults(wrong), raw, absent)


def _broken(line: str, delimiter: str, width: int, odd_quotes: bool) -> tuple[str, str, str]:
    """Cause, found and expected of a line that is not a row."""
    if odd_quotes:
        return "quotes that do not pair", line[:80], "quotes in pairs"
    found = line.count(delimiter) + 1
    cause = "half-written line" if found < width else "too many fields"
    return cause, f"{found} fields", f"{width} fields"


class Lines:
    """The text of a section's lines by number; split only when somebody asks."""

    def __init__(self, section: bytes, first_line: int) -> None:
        self._section, self._first, self._lines = section, first_line, list[bytes]()

    def __call__(self, line: int) -> str:
        """The line as it came (in UTF-8)."""
        if not self._lines:
            self._lines = self._section.split(b"\n")
        return self._lines[line - self._first].decode(errors="replace")


def _without_odd_quotes(section: bytes) -> tuple[bytes, list[int]]:
    """Lines with an odd number of quotes lose them, so that no row swallows the next."""
    lines = section.split(b"\n")
    odd = [i for i, line in enumerate(lines) if line.count(b'"') % 2]
    for i in odd:
        lines[i] = lines[i].replace(b'"', b"")
    return b"\n".join(lines), odd


def _frame(
    section: bytes, heading: Heading, layout: Layout, places: dict[str, int]
) -> pl.DataFrame | None:
    """The section as a frame of the roles and the end mark; None where polars cannot parse it.

    The values are read as numbers when every one of them is one (or a missing word): the fast
    way. Otherwise all is read as text, and the door says which value is at fault.
    """
    width = len(heading.names)
    end = (layout.delimiter + END).encode()
    body = (section.removesuffix(b"\n") + b"\n").replace(b"\n", end + b"\n")
    columns = [f"c{i}" for i in range(width)] + [FIELDS]
    numbers = {f"c{place}" for role, place in places.items() if is_value(role)}
    texts = {f"c{place}" for role, place in places.items() if not is_value(role)}
    quote = layout.quote if layout.quote and layout.quote.encode() in section else None
    for typed in (True, False):
        if typed and (layout.thousands or numbers & texts):
            continue
        schema: dict[str, pl.DataType] = {
            name: pl.Float64() if typed and name in numbers else pl.String() for name in columns
        }
        try:
            frame = pl.scan_csv(
                body,
                has_header=False,
                schema=schema,
                separator=layout.delimiter,
                quote_char=quote,
                null_values=missing_words(layout),
                decimal_comma=typed and layout.decimal == ",",
                truncate_ragged_lines=True,
                missing_columns="insert",
                encoding="utf8-lossy",
            )
            found = frame.select(
                *(pl.col(f"c{place}").alias(role) for role, place in places.items()), FIELDS
            ).collect()
            if typed and any(found[r].is_infinite().any() for r in places if is_value(r)):
                continue  # the door names it
            return found
        except pl.exceptions.PolarsError:
            continue
    return None
