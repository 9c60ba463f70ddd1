"""A whole page: title, sections and foot, ready to be rendered for any reader."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

from flows.pages.cells import Block, Cell, Frame, Line, Part, Phrase, Section


@dataclass(frozen=True, slots=True)
class Page:
    """A digest or a report."""

    title: Phrase
    under: Phrase
    sections: tuple[Section, ...]
    foot: tuple[Line, ...]

    def blocks(self) -> Iterator[Block]:
        """Yield all blocks, in order."""
        for section in self.sections:
            yield from section.blocks

    def parts(self) -> Iterator[Part]:
        """Yield every part, in order."""
        yield from self.title
        yield from self.under
        for section in self.sections:
            yield from section.title
            for block in section.blocks:
                yield from block.parts()
        for line in self.foot:
            yield from line.parts()

    def cells(self) -> Iterator[Cell]:
        """Yield every cell of a table that the page shows."""
        yield from (part for part in self.parts() if isinstance(part, Cell))


def made_on(day: date) -> Line:
    """Return the line at a page's foot that names the day it was made."""
    source = " from the published tables; each number can be looked up there."
    return Line(("Made on ", Frame(day.isoformat()), source))
