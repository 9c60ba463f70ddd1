"""Render a page as HTML and as plain text: the same parts, so both say the same."""

import base64
from collections.abc import Callable
from textwrap import wrap
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from flows.pages.cells import Block, Cell, Grid, Line, Page, Phrase, Picture
from flows.pages.reader_units import Show
from schemas.table import Kind

WIDTH = 78
_WHOLE_WORDS: dict[str, Any] = {"break_long_words": False, "break_on_hyphens": False}


def environment(show: Show, source: Callable[[Picture], str]) -> Environment:
    """Return the templates with this reader's units; ``source`` gives a picture's address."""
    # Autoescaping on for every template: names come from people.
    env = Environment(
        loader=PackageLoader("flows.pages", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.globals.update(
        tell=show.phrase,
        cell=show.cell,
        numeric=numeric,
        marked=marked,
        partly=partly,
        unbroken=unbroken,
        kind=lambda block: type(block).__name__,
        source=source,
    )
    return env


def html(page: Page, show: Show, source: Callable[[Picture], str], template: str) -> str:
    """Return the page as HTML."""
    return environment(show, source).get_template(template).render(page=page)


def data_uri(picture: Picture) -> str:
    """Return a picture as an address that holds it, so that the page needs no other file."""
    kind = {"png": "image/png", "svg": "image/svg+xml"}[picture.kind]
    return f"data:{kind};base64,{base64.b64encode(picture.image).decode('ascii')}"


def numeric(phrase: Phrase) -> bool:
    """Return whether a cell of a grid holds a number, which is aligned to the right."""
    return any(isinstance(p, Cell) and isinstance(p.value, int | float) for p in phrase)


def unbroken(phrase: Phrase) -> bool:
    """Return whether a cell of a grid is one number or one day, which stays on a line."""
    if len(phrase) != 1 or not isinstance(phrase[0], Cell) or phrase[0].value is None:
        return False
    return phrase[0].declared.kind in {Kind.NUMBER, Kind.COUNT, Kind.DAY}


def partly(phrase: Phrase) -> bool:
    """Return whether a number of a grid's cell was made from part of the data."""
    return any(
        isinstance(p, Cell)
        and p.partial
        and p.known
        and p.declared.kind is Kind.NUMBER
        and not p.declared.key
        and p.column != "coverage"
        for p in phrase
    )


def marked(row: tuple[Phrase, ...]) -> tuple[int, ...]:
    """Return the places of a grid's row that are marked partial: the first one of each table in it."""
    first: dict[str, int] = {}
    for place, phrase in enumerate(row):
        if partly(phrase):
            table = next(part.table for part in phrase if isinstance(part, Cell) and part.partial)
            first.setdefault(table, place)
    return tuple(first.values())


def text(page: Page, show: Show, width: int = WIDTH) -> str:
    """Return the page as plain text, its sentences wrapped at ``width``."""
    out = [show.phrase(page.title), "=" * min(WIDTH, len(show.phrase(page.title))), ""]
    if page.under:
        out += [*_wrapped(show.phrase(page.under), width), ""]
    for section in page.sections:
        if section.title:
            title = show.phrase(section.title)
            out += [title, "-" * min(WIDTH, len(title))]
        for block in section.blocks:
            out += _block(block, show, width)
        out.append("")
    for line in page.foot:
        out += _wrapped(line_text(line, show), width)
    return "\n".join(out).rstrip() + "\n"


def line_text(line: Line, show: Show) -> str:
    """Return a line as text with its coverage, if that is noted, and the reason if it is partial."""
    text = show.phrase(line.phrase)
    if line.cover is not None:
        text += f" Based on {show.cell(line.cover)} of the data."
    if line.why is not None:
        text += f" Partial: {show.cell(line.why).rstrip('.')}."
    return text


def _wrapped(text: str, width: int, first: str = "") -> list[str]:
    indent = " " * len(first)
    return wrap(text, width, initial_indent=first, subsequent_indent=indent, **_WHOLE_WORDS)


def _block(block: Block, show: Show, width: int) -> list[str]:
    if isinstance(block, Line):
        return _wrapped(line_text(block, show), width, "- ")
    if isinstance(block, Picture):
        shown = f"[Picture: {show.phrase(block.title)}.]"
        return _wrapped(shown, width)
    if block.records:
        return _records(block, show, width)
    return ["", *_grid(block, show, width), ""]


def _records(grid: Grid, show: Show, width: int) -> list[str]:
    """Return each row as one sentence of named values: columns would not fit, nor survive a mail."""
    out = []
    for row in grid.rows:
        values = [show.phrase(c) + (", partial" if partly(c) else "") for c in row]
        named = [
            f"{show.phrase(head).lower()} {value}"
            for head, value in zip(grid.heads[1:], values[1:], strict=True)
        ]
        out += _wrapped(f"{values[0]}: {'; '.join(named)}.", width, "- ")
    return out + [line for note in grid.notes for line in _wrapped(line_text(note, show), width)]


def _grid(grid: Grid, show: Show, width: int) -> list[str]:
    """Return a table with two spaces between its columns; narrow ones fit a terminal."""
    rows = [[show.phrase(head) for head in grid.heads]]
    rows += [
        [show.phrase(c) + (", partial" if i in marked(row) else "") for i, c in enumerate(row)]
        for row in grid.rows
    ]
    widths = [max(len(row[i]) for row in rows) for i in range(len(grid.heads))]
    right = [any(numeric(row[i]) for row in grid.rows) for i in range(len(grid.heads))]
    lines = [
        "  ".join(
            text.rjust(wide) if to_right else text.ljust(wide)
            for text, wide, to_right in zip(row, widths, right, strict=True)
        ).rstrip()
        for row in rows
    ]
    notes = [
        line for note in grid.notes for line in _wrapped("Partial: " + line_text(note, show), width)
    ]
    return [*_wrapped(show.phrase(grid.caption), width), *lines, *notes]
