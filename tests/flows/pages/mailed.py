"""The letter of a week as it is mailed, of farms with as many fields as wanted."""

from __future__ import annotations

from datetime import UTC, date, datetime
from email.message import EmailMessage

import polars as pl

from flows.pages.digest import make
from flows.pages.mail import message
from flows.pages.week import Week
from tests.flows.pages import farm
from tests.flows.pages.page_text import SAVED


def many(tables: farm.MemoryTables, number: int) -> farm.MemoryTables:
    """The same farm with as many fields, all with the same records."""
    names = [f"Field {chr(65 + i)}" for i in range(number)]

    def repeated(frame: pl.DataFrame) -> pl.DataFrame:
        if "field" not in frame.columns:
            return frame
        return pl.concat([frame.with_columns(field=pl.lit(name)) for name in names])

    return tables.changed(repeated)


def mailed(tables: farm.MemoryTables, week: str) -> EmailMessage:
    show = tables.show(brief=True)
    page = make.letter(tables, Week.named(week), show, date(2024, 9, 9), SAVED)
    heads = {"sender": "a@example.org", "reader": "b@example.org", "identity": "<x.1@example.org>"}
    return message.build(page, show, **heads, at=datetime(2024, 9, 9, tzinfo=UTC))


def pictures(found: EmailMessage) -> list[EmailMessage]:
    parts = [part for part in found.walk() if part.get_content_maintype() == "image"]
    return [part for part in parts if isinstance(part, EmailMessage)]


def mailed_html(tables: farm.MemoryTables, week: str) -> tuple[str, dict[str, bytes]]:
    """The letter's HTML, and its pictures by their Content-ID."""
    found = mailed(tables, week)
    html = found.get_body(("html",))
    assert html is not None
    images = {str(one["Content-ID"])[1:-1]: one.get_content() for one in pictures(found)}
    return html.get_content(), images
