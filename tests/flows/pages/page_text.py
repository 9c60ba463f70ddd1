"""A digest or report of given tables, and the words and numbers that a reader finds in it."""

from __future__ import annotations

import re
from datetime import date
from html.parser import HTMLParser

from flows.pages import render
from flows.pages.cells import CONSTANTS, Line, Page
from flows.pages.digest import make
from flows.pages.reader_units import Show
from flows.pages.report import brief, write
from flows.pages.week import Week
from tests.flows.pages.farm import MemoryTables

MADE_ON = date(2024, 9, 9)
SAVED = "/farm/digests/page.html"
_NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?")
_NOT_READ = ("style", "head", "script")


class PageReader(HTMLParser):
    """The words of a page as a reader meets them: the body's text, pictures by what they say."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self._words: list[str] = []
        self.tags: list[str] = []
        self.alts: list[str] = []
        self._depth_not_read = 0
        self.feed(html)

    @property
    def words(self) -> str:
        return flat(" ".join(self._words))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self._depth_not_read += tag in _NOT_READ
        if tag == "img":
            self.alts.append(dict(attrs)["alt"] or "")
            self._words.append(self.alts[-1])

    def handle_endtag(self, tag: str) -> None:
        self._depth_not_read -= tag in _NOT_READ

    def handle_data(self, data: str) -> None:
        if not self._depth_not_read:
            self._words.append(data)


def flat(text: str) -> str:
    """On one line, so that no line break hides a sentence."""
    return " ".join(text.split())


def numbers(text: str) -> list[str]:
    """The numbers of a text, less the constants that sentences may name."""
    for constant in CONSTANTS:
        text = text.replace(constant, "")
    return _NUMBER.findall(text)


def letter(tables: MemoryTables, week: str, show: Show | None = None) -> tuple[Page, str, str]:
    """The letter of a week, as text and as HTML."""
    show = show or tables.show(brief=True)
    found = make.letter(tables, Week.named(week), show, MADE_ON, SAVED)
    return found, render.text(found, show), render.html(found, show, render.data_uri, "digest.html")


def told(tables: MemoryTables, lines: list[Line]) -> str:
    """The lines as a digest says them."""
    show = tables.show(brief=True)
    return flat(" ".join(render.line_text(line, show) for line in lines))


def spoken(tables: MemoryTables, lines: list[Line]) -> str:
    show = tables.show()
    return flat(" ".join(render.line_text(line, show) for line in lines))


def digest(tables: MemoryTables, week: str, show: Show | None = None) -> tuple[Page, str, str]:
    """The page, as text and as HTML."""
    show = show or tables.show(brief=True)
    found = make.digest(tables, Week.named(week), show, MADE_ON)
    return found, render.text(found, show), render.html(found, show, render.data_uri, "digest.html")


def one_page(tables: MemoryTables, year: int | None = None) -> tuple[Page, str]:
    """The page to hand on, and as HTML."""
    found = brief.brief(tables, year, MADE_ON)
    return found, render.html(found, tables.show(), render.data_uri, "brief.html")


def report(tables: MemoryTables, year: int | None = 2024) -> tuple[Page, str]:
    """The page, and as HTML."""
    show = tables.show()
    found = write.report(tables, year, show, MADE_ON)
    return found, render.html(found, show, render.data_uri, "report.html")
