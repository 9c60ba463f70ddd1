"""The mail of a digest: HTML with pictures inside, and a plain-text twin that says the same."""

import hashlib
from dataclasses import replace
from datetime import datetime
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime

import css_inline

from flows.pages import render
from flows.pages.cells import Line, Page, Picture
from flows.pages.reader_units import Show

# Some mail readers cut longer messages off; a phone in a field loads no more.
LIMIT, PICTURES_LIMIT, HTML_LIMIT = 300_000, 200_000, 60_000


def message_id(farm: str, week: str, reader: str, sender: str) -> str:
    """Return the Message-ID of a farm's week (or alert) and reader, the same however often it is made."""
    known = hashlib.sha256("\x1f".join((farm, week, reader.lower())).encode()).hexdigest()[:20]
    domain = sender.rpartition("@")[2] or "checkstrip.invalid"
    return f"<digest.{week.lower()}.{known}@{domain}>"


def build(
    page: Page, show: Show, *, sender: str, reader: str, identity: str, at: datetime
) -> EmailMessage:
    """Build the message within the limits: pictures that would be too much are left out, the last first."""
    heads = {"From": sender, "To": reader, "Message-ID": identity, "Date": format_datetime(at)}
    found = _build(page, show, heads)
    while _pictures(page) and (
        len(found.as_bytes()) > LIMIT
        or sum(len(picture.image) for picture in _pictures(page)) > PICTURES_LIMIT
    ):
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
    message.set_content(render.text(page, show), cte="quoted-printable")
    pictures = _pictures(page)
    # A content's identity: the picture's place, under the message's own.
    cids = {id(p): f"{p.name}.{i}.{identity[1:-1]}" for i, p in enumerate(pictures)}
    html = render.html(page, show, lambda p: f"cid:{cids[id(p)]}", "digest.html")
    inlined = css_inline.inline(html, keep_style_tags=True, load_remote_stylesheets=False)
    message.add_alternative(inlined, subtype="html", cte="quoted-printable")
    body = message.get_payload()[1]  # type: ignore[index]
    assert isinstance(body, EmailMessage)
    for picture in pictures:
        body.add_related(
            picture.image,
            "image",
            picture.kind,
            cid=f"<{cids[id(picture)]}>",
            filename=f"{picture.name}.{picture.kind}",
            disposition="inline",
        )
    return message


def _one_line(text: str) -> str:
    """Return a header's text: no line breaks, not too long."""
    text = " ".join(text.split())
    return text if len(text) <= 150 else text[:149] + "…"


def _pictures(page: Page) -> list[Picture]:
    return [block for block in page.blocks() if isinstance(block, Picture)]


def _without_last_picture(page: Page) -> Page:
    """Return the page with what the last picture shows, in words, in its place."""
    last = _pictures(page)[-1]
    words = Line((*last.title, ". ", *last.says))
    sections = (
        replace(section, blocks=tuple(words if b is last else b for b in section.blocks))
        for section in page.sections
    )
    return replace(page, sections=tuple(sections))
