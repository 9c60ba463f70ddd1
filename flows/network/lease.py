"""A lease with a fence: one worker at a time, and one that slept past its time is refused.

The lease is one object, changed by conditional writes only. Each time it passes to another worker its
number grows; what is written under a lease carries the number, and a smaller one is refused (the fencing
token of Kleppmann 2016, 'How to do distributed locking'). The clock only decides when a lease may be
taken over, never whether a write is right.
"""

from __future__ import annotations

import json
import time
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, timedelta

from pydantic import TypeAdapter

from flows.base import files
from flows.base.errors import Attention
from flows.share.objects import Objects
from flows.share.pointer import Refused

LEASES = "leases"
ROUND = "round"  # the lease of whoever does a round and makes the snapshot after it


class Lost(Refused):
    """The lease has passed, or is another worker's by now."""


@dataclass(frozen=True, slots=True)
class Held:
    """What the object says: who holds it until when, under which number."""

    holder: str
    fence: int
    until: files.Stamp


_SHAPE = TypeAdapter(Held)


class Lease:
    """A lease that this worker took."""

    def __init__(self, objects: Objects, name: str, held: Held, tag: str, seconds: float) -> None:
        self._objects, self._name, self._seconds = objects, name, seconds
        self._held, self._tag = held, tag
        self._ends = time.monotonic() + seconds

    @property
    def fence(self) -> int:
        """Return the number of this lease; later ones have larger numbers."""
        return self._held.fence

    def check(self) -> None:
        """Raise Lost if the time has passed by this computer's clock, or another worker took over."""
        found = self._objects.get(_key(self._name))
        if time.monotonic() >= self._ends or found is None or found.tag != self._tag:
            raise Lost(
                f"The lease {self._name} (number {self.fence}) has passed to another worker or ran out. "
                "Nothing was written under it."
            )

    def renew(self) -> None:
        """Hold on for as long again from now; raise Lost if another worker took over."""
        ends = time.monotonic() + self._seconds
        held = replace(self._held, until=_until(self._seconds))
        tag = self._objects.swap(_key(self._name), _content(held), self._tag)
        if tag is None:
            raise Lost(f"The lease {self._name} (number {self.fence}) is another worker's by now.")
        self._held, self._tag, self._ends = held, tag, ends

    def release(self) -> None:
        """Let others take it at once; no matter if it is another worker's by now."""
        gone = replace(self._held, until=_until(0.0))
        self._objects.swap(_key(self._name), _content(gone), self._tag)
        self._ends = time.monotonic()


def take(objects: Objects, name: str, holder: str, seconds: float) -> Lease | None:
    """Take a lease for so many seconds; None while another worker holds it.

    ``name``: letters, digits and dashes. Raises Attention if the store does not answer.
    """
    found = objects.get(_key(name))
    fence = 1
    if found is not None:
        held = _parsed(found.content)
        if held is None:
            raise Attention(f"{_key(name)} in {objects.address} is damaged. Delete it by hand.")
        if datetime.fromisoformat(held.until) > datetime.now(UTC):
            return None
        fence = held.fence + 1
    mine = Held(holder, fence, _until(seconds))
    where, content = _key(name), _content(mine)
    tag = (
        objects.create(where, content) if found is None else objects.swap(where, content, found.tag)
    )
    return Lease(objects, name, mine, tag, seconds) if tag is not None else None


def holder(objects: Objects, name: str) -> Held | None:
    """Return who holds a lease at this moment, or held it last."""
    found = objects.get(_key(name))
    return _parsed(found.content) if found else None


def _parsed(content: bytes) -> Held | None:
    try:
        return _SHAPE.validate_json(content)
    except ValueError:
        return None


def _content(held: Held) -> bytes:
    return json.dumps(asdict(held)).encode()


def _until(seconds: float) -> str:
    return (datetime.now(UTC) + timedelta(seconds=seconds)).isoformat()


def _key(name: str) -> str:
    return f"{LEASES}/{name}.json"
