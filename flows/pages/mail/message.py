"""The mail of a digest: HTML with pictures inside, and a plain-text twin that says the same."""

from __future__ import annotations

import hashlib
from datetime import datetime
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime

import css_inline

from flows.pages import render as pages
from flows.pages.cells import Line, Picture, Section
from flows.pages.digest.make import Page
from flows.pages.reader_units import Show

# Some mail readers cut longer messages off.
LIMIT = 500_000


def message_id(farm: str, week: str, reader: str, sender: str) -> str:
    """One and the same Message-ID for a farm's week and reader, however often it is made."""
    known = hashlib.sha256("\x1f".join((farm, week, reader.lower())).encode()).hexdigest()[:20]
    domain = sender.rpartition("@")[2] or "checkstrip.invalid"
    return f"<digest.{week.lower()}.{known}@{domain}>"


def build(
    page: Page, show: Show, *, sender: str, reader: str, identity: str, at: datetime
) -> EmailMessage:
    """The message, under LIMIT: where it would be larger, the last pictures are left out."""
    heads = {"From": sender, "To": reader, "Message-ID": identity, "Date": format_datetime(at)}
    found = _build(page, show, heads)
    while len(found.as_bytes()) > LIMIT and _pictures(page):
        page = _without_last_picture(page)
        found = _build(page, show, heads)
    return found


def _build(page: Page, show: Show, heads: dict[str, str]) -> EmailMessage:
    message = EmailMessage(policy=SMTP)
    for name, value in heads.items():
        message[name] = value
    message["Subject"] = _one_line(show.phrase(page.title))
    identity = heads["Message-ID"]
    message["Auto-Submitted"] = "auto-generated"
    message.set_content(pages.text(page, show), cte="quoted-printable")
    pictures = _pictures(page)
    # A content's identity: the picture's place, under the message's own.
    cids = {id(p): f"{p.name}.{i}.{identity[1:-1]}" for i, p in enumerate(pictures)}
    html = pages.html(page, show, lambda p: f"cid:{cids[id(p)]}", "digest.html")
    inlined = css_inline.inline(html, keep_style_tags=True, load_remote_stylesheets=False)
    message.add_alternative(inlined, subtype="html", cte="quoted-printable")
    body = message.get_payload()[1]  # type: ignore[index]
    assert isinstance(body, EmailMessage)
    for picture in pictures:
        body.add_related(
            picture.image, "image", picture.kind, cid=f"<{cids[id(picture)]}>",
            filename=f"{picture.name}.{picture.kind}", disposition="inline",
        )  # fmt: skip
    return message


def _one_line(told: str) -> str:
    """A header's text: no line breaks, not too long."""
    told = " ".join(told.split())
    return told if len(told) <= 150 else told[:149] + "…"


def _pictures(page: Page) -> list[Picture]:
    return [block for block in page.blocks() if isinstance(block, Picture)]


def _without_last_picture(page: Page) -> Page:
    """The last picture's place is taken by what it says."""
    last = _pictures(page)[-1]
    sections = tuple(
        Section(
            s.title,
            tuple(Line((*b.title, " ", *b.says)) if b is last else b for b in s.blocks),
            s.level,
            s.new_page,
        )
        for s in page.sections
    )
    return Page(page.title, page.under, sections, page.foot)
