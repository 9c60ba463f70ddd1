"""The moment that a start page speaks of: written into it, and moved on where nothing else has changed."""

import re
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

_MADE = re.compile(r'(<html [^>]*data-made=")[^"]*(")')
_AS_OF = re.compile(r'(As of <time datetime=")[^"]*(">)[^<]*(</time>)')


def stamp(at: datetime) -> str:
    """Return a moment as the page's script reads it."""
    return at.astimezone(UTC).isoformat(timespec="seconds")


def words(at: datetime, zone: ZoneInfo) -> str:
    """Return a moment as people read it, by the farm's clock."""
    local = at.astimezone(zone)
    return f"{local:%A}, {local:%B} {local.day}, {local.year}, {local:%H:%M}"


def moved(html: str, at: datetime, zone: ZoneInfo) -> str | None:
    """Return a page as of another moment; None if it is not a start page of this version."""
    html, made = _MADE.subn(rf"\g<1>{stamp(at)}\g<2>", html, count=1)
    html, said = _AS_OF.subn(rf"\g<1>{stamp(at)}\g<2>{words(at, zone)}\g<3>", html, count=1)
    return html if made and said else None
