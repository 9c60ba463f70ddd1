"""Small exports as text, and what was found in them."""

from datetime import datetime, timedelta

from flows.setup.sniff.finding import Finding, Proposal
from flows.setup.sniff.propose import propose
from schemas.farm.farm import Place

PLACE = Place(latitude=49.6, longitude=-97.2, elevation_m=240, time_zone="America/Winnipeg")


def hours(n, first=datetime(2020, 6, 1)):
    """Stamps of every hour, as text."""
    return [f"{first + timedelta(hours=i):%Y-%m-%d %H:%M}" for i in range(n)]


def days(n, first=datetime(2020, 5, 1)):
    """Stamps of every day, as text."""
    return [f"{first + timedelta(days=i):%Y-%m-%d}" for i in range(n)]


def text(heading, rows):
    """A comma-separated export."""
    return "\n".join([heading, *(",".join(map(str, row)) for row in rows), ""]).encode()


def sniffed(heading, rows, place=PLACE):
    """The proposal for an export."""
    return propose(text(heading, rows), place)


def asked(proposal: Proposal) -> dict[str, str]:
    """The questions of a proposal, by item."""
    return {q.item: q.evidence for q in proposal.questions}


def found(proposal: Proposal, item: str) -> Finding:
    """The one finding of an item."""
    (finding,) = [f for f in proposal.found if f.item == item]
    return finding
