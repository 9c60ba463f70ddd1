"""What a farm last shared: its tables as content-named Parquet, and one small pointer that names them.

A pointer moves by a conditional write, so of several writers one wins each time and the others look again.
A write whose answer was lost on the way is recognized by its id, so no publish counts twice.
"""

from __future__ import annotations

import hashlib
import io
import json
import random
import time
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime
from typing import Literal
from uuid import UUID, uuid4

import polars as pl
from pydantic import TypeAdapter

from flows.base import files
from flows.base.errors import Attention
from flows.base.version import VERSION
from flows.share.objects import Objects

POINTERS, OBJECTS = "farms", "objects"
TRIES = 60
RECENT = 32


class Refused(Attention):
    """A worker whose lease has passed to another one wanted to write."""


@dataclass(frozen=True, slots=True)
class Stored:
    """A table in the store: the object that holds it, its rows and bytes."""

    object: str
    rows: int
    bytes: int


@dataclass(frozen=True, slots=True)
class About:
    """What a pointer says of its farm; name and place (degrees, on the network's grid) if named."""

    farm: str
    share: Literal["pooled", "named", "left"]
    currency: str | None = None
    name: str | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None


@dataclass(frozen=True, slots=True)
class Pointer:
    """What a farm last shared. ``sequence`` counts its publishes; ``recent``: ids, newest first."""

    about: About
    sequence: int
    at: files.Stamp
    program: str
    tables: dict[str, Stored]
    recent: list[str] = field(default_factory=list)
    fence: int = 0


@dataclass(frozen=True, slots=True)
class Published:
    """The outcome: the number of the publish, whether anything was new, and the bytes written."""

    sequence: int
    changed: bool
    bytes: int


_SHAPE = TypeAdapter(Pointer)


def key(farm: str) -> str:
    """Return the key of a farm's pointer."""
    return f"{POINTERS}/{UUID(farm)}.json"


def parse(content: bytes | None, farm: str) -> Pointer | None:
    """Return a pointer's content; None if it is none, or of another farm, or names others' objects."""
    try:
        pointer = _SHAPE.validate_json(content or b"")
    except ValueError:
        return None
    own = all(one.object.startswith(f"{OBJECTS}/{farm}/") for one in pointer.tables.values())
    return pointer if own and pointer.about.farm == farm else None


def as_parquet(rows: pl.DataFrame) -> bytes:
    """Return rows as Parquet; the same rows give the same bytes."""
    out = io.BytesIO()
    rows.write_parquet(out, compression="zstd", compression_level=9, row_group_size=1 << 20)
    return out.getvalue()


def named(prefix: str, table: str, content: bytes) -> str:
    """Return the key of content below a prefix: the table and the content's hash (SHA-256)."""
    return f"{prefix}/{table}-{hashlib.sha256(content).hexdigest()}.parquet"


def publish(
    objects: Objects,
    about: About,
    tables: Mapping[str, pl.DataFrame],
    *,
    fence: int | None = None,
    check: Callable[[], None] = lambda: None,
) -> Published:
    """Put a farm's tables into the store and move its pointer, once; the same tables are no news.

    ``fence`` is the number of the worker's lease (None: the farm's own computer, which needs none) and
    ``check`` raises if that has passed (see ``flows/network/lease.py``); a pointer that was moved under
    a later lease raises Refused. Raises Attention if the store does not answer.
    """
    own = uuid4().hex
    contents = {name: as_parquet(rows) for name, rows in tables.items()}
    stored = {
        name: Stored(
            named(f"{OBJECTS}/{about.farm}", name, content), tables[name].height, len(content)
        )
        for name, content in contents.items()
    }
    new = Pointer(about, 1, datetime.now(UTC).isoformat(), VERSION, stored, [own], fence or 0)
    written: set[str] = set()
    for _ in range(TRIES):
        found = objects.get(key(about.farm))
        now = parse(found.content, about.farm) if found else None
        total = sum(one.bytes for one in stored.values() if one.object in written)
        if now is not None:
            if own in now.recent:  # it was written, but the answer was lost
                return Published(now.sequence - now.recent.index(own), True, total)
            if fence is not None and now.fence > fence:
                raise Refused(
                    f"The farm {about.farm} was published by a later worker (lease {now.fence}; ours "
                    f"was {fence}). Nothing was written."
                )
            if (now.about, now.tables) == (about, stored):
                return Published(now.sequence, False, 0)
        there = {one.object for one in now.tables.values()} if now else set()
        for name, one in stored.items():
            # One that only an older pointer names may be about to be deleted: it is written again.
            if one.object not in there | written:
                objects.put(one.object, contents[name])
                written.add(one.object)
        check()
        if now is not None:
            before = now.recent[: RECENT - 1]
            new = replace(
                new,
                sequence=now.sequence + 1,
                recent=[own, *before],
                fence=now.fence if fence is None else fence,
            )
        if _moved(objects, new, found.tag if found else None):
            # A newer version of a table replaces the older one in time; what is shared no more goes at once.
            gone = now.tables.keys() - stored.keys() if now else ()
            objects.delete(now.tables[name].object for name in gone if now)
            total = sum(one.bytes for one in stored.values() if one.object in written)
            return Published(new.sequence, True, total)
        time.sleep(random.uniform(0.0, 0.05))  # noqa: S311 - only to part those who race
    raise Attention(f"Other writers kept moving the pointer of farm {about.farm}. Try again later.")


def leave(objects: Objects, farm: str) -> bool:
    """Mark a farm as left and delete its objects; False if it never was there.

    The next snapshot is made without it, and those before are deleted (``flows/network/snapshot.py``).
    """
    for _ in range(TRIES):
        found = objects.get(key(farm))
        if found is None:
            return False
        now = parse(found.content, farm)
        sequence = now.sequence + 1 if now else 1
        gone = Pointer(
            About(farm, "left"), sequence, datetime.now(UTC).isoformat(), VERSION, {}, [uuid4().hex]
        )
        if _moved(objects, gone, found.tag):
            objects.delete(one.key for one in objects.list(f"{OBJECTS}/{farm}"))
            return True
    raise Attention(f"Other writers kept moving the pointer of farm {farm}. Try again later.")


def _moved(objects: Objects, new: Pointer, tag: str | None) -> bool:
    content = json.dumps(asdict(new), indent=1).encode()
    where = key(new.about.farm)
    done = objects.create(where, content) if tag is None else objects.swap(where, content, tag)
    return done is not None
