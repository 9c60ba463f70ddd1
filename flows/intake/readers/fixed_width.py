"""Fixed-width text: a column is a span of characters, the same in every line."""

from __future__ import annotations

import codecs
from collections.abc import Iterator
from dataclasses import replace

import polars as pl

from flows.base.plain_text import counted
from flows.intake.readers import preamble
from flows.intake.readers.chunk import (
    Chunk,
    Content,
    Fault,
    Unreadable,
    faults,
    is_needed,
    is_value,
    roles,
)
from flows.intake.readers.headings import HEAD_LINES, heading_at
from schemas.farm.layout import Layout

PIECE = 8 << 20  # bytes that are cut at once
LINE_LIMIT = 1 << 20
MOST = 0.5  # of the lines in which a number goes on beyond its field, where that is no fault
REACH = 20  # characters beside a field in which the rest of its number may stand
EXPECTED = "blanks around each field (or a field of its own for what stands there)"


def read(content: Content, layout: Layout) -> Iterator[Chunk]:
    """Yield the rows in chunks; raises Unreadable where the layout's columns have no fields."""
    places = _places(layout)
    line = content.lines_before
    known = _facts(content.before(), layout) if line else {}
    for text, last in pieces(content.own(), layout.encoding):
        lines = text.split("\n")
        head = _head(lines, layout, line)
        if not line:
            known = preamble.facts(lines[:head], layout)
        for chunk in _cut(lines, line, head, places, layout, cut_short=last):
            yield replace(chunk, frame=preamble.with_facts(chunk.frame, known))
        line += len(lines)


def _facts(blocks: Iterator[bytes], layout: Layout) -> dict[str, str]:
    """Return what the lines above the first row say, of a file that goes on."""
    if not layout.facts:
        return {}
    text, _ = next(pieces(blocks, layout.encoding), ("", False))
    lines = text.split("\n")
    return preamble.facts(lines[: _head(lines, layout, 0)], layout)


def pieces(blocks: Iterator[bytes], encoding: str) -> Iterator[tuple[str, bool]]:
    """Yield pieces of whole lines without their last line end, and whether the last is cut short."""
    decoder = codecs.getincrementaldecoder(encoding)(errors="replace")
    rest = ""
    for block in blocks:
        rest = (rest + decoder.decode(block)).replace("\r\n", "\n")
        if len(rest) < PIECE:
            continue
        text, end, tail = rest.rpartition("\n")
        if end:
            yield text, False
            rest = tail
        elif len(rest) > LINE_LIMIT + PIECE:
            raise Unreadable("line too long", f"over {LINE_LIMIT:,} characters", "lines of text")
    rest = (rest + decoder.decode(b"", final=True)).replace("\r\n", "\n")
    if rest:
        yield rest.removesuffix("\n"), not rest.endswith("\n")


def _places(layout: Layout) -> dict[str, tuple[int, int]]:
    """Return role → first and last character."""
    places = {}
    for role, names in roles(layout).items():
        place = next((layout.fields[n] for n in names if n in layout.fields), None)
        if place is not None:
            places[role] = place
        elif is_needed(role, places) or (is_value(role) and not _optional(role, layout)):
            known = ", ".join(layout.fields)
            raise Unreadable("no such column", f"the fields {known}", f"a field '{names[0]}'")
    return places


def _optional(role: str, layout: Layout) -> bool:
    return role.startswith("v:") and layout.columns[role[2:]].optional


def _head(lines: list[str], layout: Layout, line: int) -> int:
    """Return how many lines before the first row; only the file's start has any."""
    if line:
        return 0
    at = layout.skip
    if layout.header_starts is not None:
        starts = (text.lstrip("\ufeff ") for text in lines[:HEAD_LINES])
        at = heading_at(starts, layout.header_starts)
    return at + layout.header + layout.after_header


def _cut(
    lines: list[str],
    before: int,
    head: int,
    places: dict[str, tuple[int, int]],
    layout: Layout,
    *,
    cut_short: bool,
) -> Iterator[Chunk]:
    """Yield one chunk of lines, cut into its columns."""
    text = pl.col("text")
    frame = pl.DataFrame(
        {"line": range(before + 1, before + len(lines) + 1), "text": lines},
        schema={"line": pl.Int64, "text": pl.String},
    ).slice(head)
    if not before:
        frame = frame.with_columns(text.str.strip_prefix("\ufeff"))
    frame = frame.filter(text.str.strip_chars(" \t\r\x00") != "")
    if layout.comment:
        frame = frame.filter(~text.str.starts_with(layout.comment))
    if frame.is_empty():
        return
    width = max(last for _, last in places.values())
    needed = max(first for role, (first, _) in places.items() if role.startswith("time_"))
    long = text.str.len_chars()
    short = long < needed
    if cut_short:  # its writer was stopped in it: the last value may lack digits
        short = short | ((pl.col("line") == before + len(lines)) & (long < width))
    wrong: list[Fault] = [
        (
            n,
            "",
            "row",
            "half-written line",
            counted(length, "character"),
            counted(width, "character"),
        )
        for n, length in frame.filter(short).select("line", long.alias("n")).iter_rows()
    ]
    whole, moved = _lines_in_place(frame.filter(~short), places, layout)
    wrong += moved
    cut = whole.select(
        "line",
        *(
            text.str.slice(a - 1, b - a + 1).str.strip_chars().alias(role)
            for role, (a, b) in places.items()
        ),
    )
    yield Chunk(cut, faults(wrong), lambda n: lines[n - before - 1])


def _taken(places: dict[str, tuple[int, int]], layout: Layout) -> set[int]:
    """Return the characters (from 1) that are of some field."""
    spans = [*layout.fields.values(), *places.values()]
    return {place for first, last in spans for place in range(first, last + 1)}


def _check_width(frame: pl.DataFrame, places: dict[str, tuple[int, int]], layout: Layout) -> None:
    """Raise Unreadable if a field cuts most of its numbers short: 0.284 would land as 0.28."""
    taken = _taken(places, layout)
    for role, (first, last) in places.items():
        inside = pl.col("text").str.slice(first - 1, last - first + 1)
        numbers = int(frame.select(inside.str.contains(r"\d").sum()).item())
        for outside, where in ((first - 1, "before"), (last + 1, "behind")):
            if not is_value(role) or outside in taken or outside < 1:
                continue
            found = frame.filter(_cut_short(first, last, where, layout).fill_null(False))
            if found.height > MOST * numbers:
                raise Unreadable(
                    "a field is too short",
                    f"'{role.removeprefix('v:')}' ({first} to {last}): digits {where} it in "
                    f"{found.height} of {counted(numbers, 'line')}, first: {found['text'][0].strip()}"[
                        :200
                    ],
                    "a field of the whole number (or a field of its own for what stands beside it)",
                )


def _cut_short(first: int, last: int, where: str, layout: Layout) -> pl.Expr:
    """Return which lines have digits beside a field that are of its number.

    Digits right behind a number with a decimal mark are, unless they go on to a mark of their own
    (``10.512.3`` is two columns); a mark behind a whole number is; so are digits before a number.
    """
    text, mark = pl.col("text"), "," if layout.decimal == "," else r"\."
    inside = text.str.slice(first - 1, last - first + 1)
    if where == "before":
        before = text.str.slice(max(first - 1 - REACH, 0), min(first - 1, REACH))
        return inside.str.contains(rf"^\d*{mark}\d") & before.str.contains(r"(?:^|[^\d.,])\d+$")
    behind = text.str.slice(last, REACH)
    decimals = inside.str.contains(rf"{mark}\d*$") & behind.str.contains(r"^\d+(?:[^\d.,]|$)")
    return decimals | (
        inside.str.contains(r"(?:^|\s)[-+]?\d+$") & behind.str.contains(rf"^{mark}\d")
    )


def _lines_in_place(
    frame: pl.DataFrame, places: dict[str, tuple[int, int]], layout: Layout
) -> tuple[pl.DataFrame, list[Fault]]:
    """Return the lines that stand in their columns, and the faults of the others.

    A byte that came in or was lost moves what follows it, and a number then goes on beyond its
    field: 10.06 would be read as 10.0. Where most lines have it so, another column stands there.
    But a sign before a number is its own, however many lines have one, and behind a tab nobody
    knows which column a character is in. Raises Unreadable if most numbers of a field go on
    beyond it, without being those of another column.
    """
    _check_width(frame, places, layout)
    taken, text = _taken(places, layout), pl.col("text")
    beyond: dict[str, pl.Expr] = {}
    for role, (first, last) in places.items():
        for inside, outside in ((first, first - 1), (last, last + 1)):
            if outside > 0 and outside not in taken:
                pair = text.str.slice(min(inside, outside) - 1, 2)
                beyond[f"{role} {outside}"] = pair.str.contains(r"^[\d.]{2}$").fill_null(False)
    signed = [
        text.str.slice(first - 2, 2).str.contains(r"^[-+−][\d.]$").fill_null(False)
        for first, _ in places.values()
        if first > 1 and first - 1 not in taken
    ]
    tab = text.str.strip_chars_end().str.slice(0, max(taken)).str.contains("\t", literal=True)
    found = frame.select("line", never=pl.any_horizontal(tab, *signed), **beyond)
    odd = [name for name in beyond if found[name].sum() <= MOST * frame.height]
    moved = found.select(moved=pl.any_horizontal("never", *odd))["moved"]
    wrong = [
        (line, "", "row", "columns out of place", words[:80], EXPECTED)
        for line, words in frame.filter(moved).select("line", "text").iter_rows()
    ]
    return frame.filter(~moved), wrong
