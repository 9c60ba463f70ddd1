"""Rows of delimited text cut out under one heading, and their parsing: one alone, or many at once.

Parsing has a fixed cost that is far above that of a small file's rows, so the sections of many
files with the same headings are parsed together. What is odd in any way is parsed alone, so that
the rows of a file read the same whatever came beside it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from itertools import groupby

import polars as pl

from flows.base.plain_text import counted
from flows.intake.readers.chunk import Chunk, Unreadable, faults, is_value, missing_words
from flows.intake.readers.preamble import with_facts
from schemas.farm.layout import Layout

END = "\x1e"  # put at every line's end, so that a line with too few or too many fields shows
FIELDS = "__end"
LAST = "__last"  # the field under a last heading without a name
FURTHER = "__further"  # one field on: the end of a row with a delimiter behind its last field


@dataclass(frozen=True, slots=True)
class Section:
    """Lines of text under the headings ``names``; ``places`` says which role stands where.

    Blank lines at its end are not part of it. ``facts``: what the file says of all its rows, by
    role. ``lines``: how many lines it has.
    """

    text: bytes
    names: tuple[str, ...]
    places: dict[str, int]
    first_line: int
    layout: Layout
    absent: tuple[str, ...] = ()
    member: str = ""
    facts: Mapping[str, str] = field(default_factory=dict)
    lines: int = field(init=False)

    def __post_init__(self) -> None:
        """Count the lines, once: they are asked for several times."""
        lines = self.text.count(b"\n") + (not self.text.endswith(b"\n"))
        object.__setattr__(self, "lines", lines)

    @property
    def last_line(self) -> int:
        """The number of its last line."""
        return self.first_line + self.lines - 1

    @property
    def raw(self) -> LineTexts:
        """The text of its lines by number."""
        return LineTexts(self.text, self.first_line)

    def shifted(self, lines: int, member: str) -> Section:
        """That of a file in an archive, its lines counted on from the files before it."""
        return replace(self, first_line=self.first_line + lines, member=member)

    def parsed(self) -> Chunk:
        """Its rows, and its lines that are none."""
        return replace(_parse(self), member=self.member)


Keyed = tuple[int, Section]


def together(sections: list[Keyed]) -> tuple[list[pl.DataFrame], list[Keyed]]:
    """Parse what is sound in sections of one layout at once.

    ``sections``: each with a number that its rows bear in the column ``seq``. Returns frames of
    ``seq``, ``line`` and the roles, and the sections that have to be parsed alone.
    """
    frames: list[pl.DataFrame] = []
    alone: list[Keyed] = []
    for _, alike in groupby(sections, _likeness):
        _halved(list(alike), frames, alone)
    return frames, alone


def _likeness(keyed: Keyed) -> tuple[object, ...]:
    """Return what sections have in common that are parsed together."""
    section = keyed[1]
    return section.names, section.places, section.facts


def _halved(sections: list[Keyed], frames: list[pl.DataFrame], alone: list[Keyed]) -> None:
    """Parse at once, or where that fails in two halves, down to the faulty one."""
    if len(sections) == 1:
        alone.extend(sections)
        return
    found = _at_once(sections)
    if found is None:
        half = len(sections) // 2
        _halved(sections[:half], frames, alone)
        _halved(sections[half:], frames, alone)
        return
    frame, odd = found
    frames.append(frame)
    alone.extend(sections[i] for i in odd)


def _at_once(sections: list[Keyed]) -> tuple[pl.DataFrame, list[int]] | None:
    """Return the sections' rows, and which sections have lines that are no rows; None if unsure."""
    import numpy as np  # noqa: PLC0415 - commands that only look start without it

    texts = [section.text.removesuffix(b"\n") + b"\n" for _, section in sections]
    counts = np.array([section.lines for _, section in sections])
    one = sections[0][1]
    frame = _typed(b"".join(texts), one)
    if frame is None or frame.height != counts.sum():
        return None
    time = pl.col("time_0").fill_null("")
    bad = ~_ends_well(one.layout) | (time.str.strip_chars() == "")
    if one.layout.comment:
        bad = bad | time.str.starts_with(one.layout.comment)
    rows = frame.select(bad.arg_true()).to_series().to_numpy()
    part = np.repeat(np.arange(len(sections)), counts)
    odd = np.unique(part[rows])
    starts = np.cumsum(counts) - counts
    first = np.array([section.first_line for _, section in sections])
    frame = frame.select(
        pl.Series("seq", np.array([seq for seq, _ in sections])[part], dtype=pl.Int64),
        pl.Series("line", np.arange(len(part)) + (first - starts)[part], dtype=pl.Int64),
        *one.places,
    )
    if len(odd):
        frame = frame.filter(pl.Series(~np.isin(part, odd)))
    return with_facts(frame, one.facts), odd.tolist()


def _parse(own: Section) -> Chunk:
    section, layout, first_line = own.text, own.layout, own.first_line
    lines, raw = own.lines, own.raw
    frame = _frame(section, own)
    odd: list[int] = []
    if frame is None or frame.height != lines:
        section, odd = _without_odd_quotes(section)
        odd = [] if layout.text_last else odd  # a mark of inches in a remark
        frame = _frame(section, own)
        if frame is None or frame.height != lines:
            raise Unreadable("quotes that do not pair", "a quoted line end", "one row a line")
    frame = frame.with_columns(pl.int_range(first_line, first_line + lines).alias("line"))
    good = _ends_well(layout) & ~pl.col("line").is_in([first_line + i for i in odd])
    if layout.comment:
        frame = frame.filter(~pl.col("time_0").fill_null("").str.starts_with(layout.comment))
    empty = pl.col("time_0").fill_null("").str.strip_chars().is_in(["", END])
    suspects = frame.filter(~good | empty)["line"].to_list()
    blank = [n for n in suspects if not raw(n).strip(layout.delimiter + " \t\x00")]
    if blank:
        frame = frame.filter(~pl.col("line").is_in(blank))
    broken = frame.filter(~good)["line"].to_list()
    width, delimiter = len(own.names), layout.delimiter
    wrong = [
        (n, "", "row", *_broken(raw(n), delimiter, width, n - first_line in odd)) for n in broken
    ]
    kept = frame.filter(good).select("line", *own.places)
    return Chunk(with_facts(kept, own.facts), faults(wrong), raw, own.absent)


def _ends_well(layout: Layout) -> pl.Expr:
    """Return which rows have as many fields as there are headings.

    A delimiter behind the last field is no field; nor is one behind the last heading, where the
    rows have none. Where the last column is free text, any number of fields may stand in it.
    """
    end = pl.col(FIELDS) == END
    if layout.text_last:
        end = pl.col(FIELDS).is_not_null()
    further = pl.col(FIELDS).is_null() & (pl.col(FURTHER) == END)
    return (end.fill_null(False) | further | (pl.col(LAST) == END)).fill_null(False)


def _broken(line: str, delimiter: str, width: int, odd_quotes: bool) -> tuple[str, str, str]:
    """Cause, found and expected of a line that is not a row."""
    if odd_quotes:
        return "quotes that do not pair", line[:80], "quotes in pairs"
    found = line.count(delimiter) + 1
    cause = "half-written line" if found < width else "too many fields"
    return cause, counted(found, "field"), counted(width, "field")


class LineTexts:
    """The text of a section's lines by number; split only when somebody asks."""

    def __init__(self, section: bytes, first_line: int) -> None:
        self._section, self._first, self._lines = section, first_line, list[bytes]()

    def __call__(self, line: int) -> str:
        """Return the line as it came (in UTF-8)."""
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


def _frame(section: bytes, own: Section) -> pl.DataFrame | None:
    """Return the section as a frame of the roles and the end mark; None if it cannot be parsed.

    The values are read as numbers when every one of them is one (or a missing word): the fast
    way. Otherwise all is read as text, and the door names the faulty value.
    """
    typed = _typed(section, own)
    return _scanned(section, own, frozenset()) if typed is None else typed


def _typed(text: bytes, own: Section) -> pl.DataFrame | None:
    """Return the text with its values as numbers; None where one of them is not, or is infinite."""
    values = [role for role in own.places if is_value(role)]
    numbers = {own.places[role] for role in values}
    texts = {place for role, place in own.places.items() if not is_value(role)}
    if own.layout.thousands or numbers & texts or _points_for_commas(text, own.layout):
        return None
    frame = _scanned(text, own, frozenset(numbers))
    if frame is None or frame.select(pl.any_horizontal(pl.col(values).is_infinite().any())).item():
        return None  # the door names it
    return frame


def _points_for_commas(text: bytes, layout: Layout) -> bool:
    """Return whether a number has a point where the layout has a comma: 1.234 may be a thousand."""
    if layout.decimal != "," or b"." not in text:
        return False
    part = re.escape(layout.delimiter.encode())
    pattern = rb"%b[-+ \"]*\d*\.\d*[ \"]*(?=%b|\n|\Z)" % (part, part)
    return re.search(pattern, text) is not None


def _scanned(text: bytes, own: Section, numbers: frozenset[int]) -> pl.DataFrame | None:
    layout, width = own.layout, len(own.names)
    end = (layout.delimiter + END).encode()
    body = (text.removesuffix(b"\n") + b"\n").replace(b"\n", end + b"\n")
    nameless = own.names[-1:] == (f"column {width}",)
    last = pl.lit(None, pl.String)
    if nameless or layout.text_last:
        last = pl.col(f"c{width - 1}")
    schema: dict[str, pl.DataType] = {
        f"c{i}": pl.Float64() if i in numbers else pl.String() for i in range(width)
    }
    try:
        return (
            pl.scan_csv(
                body,
                has_header=False,
                schema=schema | {FIELDS: pl.String(), FURTHER: pl.String()},
                separator=layout.delimiter,
                quote_char=layout.quote if layout.quote and layout.quote.encode() in text else None,
                null_values=missing_words(layout),
                decimal_comma=bool(numbers) and layout.decimal == ",",
                truncate_ragged_lines=True,
                extra_columns="ignore",
                missing_columns="insert",
                encoding="utf8-lossy",
            )
            .select(
                *(pl.col(f"c{place}").alias(role) for role, place in own.places.items()),
                FIELDS,
                FURTHER,
                last.alias(LAST),
            )
            .collect()
        )
    except pl.exceptions.PolarsError:
        return None
