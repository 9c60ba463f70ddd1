"""Give a farm's shared tables to its network, once a day at most, and take them back if it shares no more.

A note in ``state/shared.json`` says what went where: it decides what is due without asking the network.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from flows.base import files
from flows.base.errors import Attention, UserError
from flows.base.version import VERSION
from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.share import network_file, objects, pointer, rows
from flows.share.objects import Away, Objects
from flows.share.pointer import About, Published, Refused
from flows.store import published, query
from flows.store.flow_runs import Run
from schemas.farm.farm import Farm

AWAY = timedelta(days=2)  # as long as an instrument may be silent; common practice, no source


@dataclass(frozen=True, slots=True)
class Note:
    """What was last shared: where, by which id and settings, from which copy, and when."""

    address: str
    farm: str
    settings: str
    copy: tuple[str, int, int]
    at: files.Stamp
    sequence: int


def note(folder: FarmFolder) -> Note | None:
    """Return what was last shared; None if nothing was, or it was taken back."""
    return files.read_state(_path(folder), Note)


def is_due(folder: FarmFolder, farm: Farm, now: datetime) -> bool:
    """Return whether there is something to give or to take back: new data once a day, settings at once."""
    last = note(folder)
    if farm.network is None or farm.share.what == "nothing":
        return last is not None
    copy = published.newest(folder)
    if copy is None:
        return False
    if last is None or last.settings != _settings(farm):
        return True
    zone = farm.place.zone
    before = datetime.fromisoformat(last.at).astimezone(zone).date()
    return last.copy != _stamp(copy) and before < now.astimezone(zone).date()


def attempt(
    folder: FarmFolder,
    run: Run,
    store: Objects | None = None,
    *,
    fence: int | None = None,
    check: Callable[[], None] = lambda: None,
    now: datetime | None = None,
) -> None:
    """Push, and write into a run what came of it. Raises Refused.

    A network that cannot be reached is no alarm until it has been away for two days: the next run tries
    again, and nothing is lost meanwhile.
    """
    now = now or datetime.now(UTC)
    away = folder.state / "network_away.json"
    try:
        done = push(folder, store, fence=fence, check=check, now=now)
    except Away as trouble:
        known = files.read_state(away, dict[str, files.Stamp]) or {}
        since = known.get("since", now.isoformat())
        files.write_text(away, json.dumps({"since": since}))
        late = now - datetime.fromisoformat(since) >= AWAY
        run.state = "attention" if late else "done"
        run.summary = (
            f"{trouble} It has been away since {since[:16].replace('T', ' ')} UTC. "
            "The next run tries it again."
        )
    except Refused:
        raise
    except (Attention, UserError) as trouble:
        run.state, run.summary = "attention", f"{trouble} The next run tries it again."
    else:
        away.unlink(missing_ok=True)
        run.summary = (
            f"Publish {done.sequence} of the shared tables, {done.bytes / 1000:,.0f} kB."
            if done is not None
            else "The farm shares nothing any more: what it had shared was taken back."
        )


def push(
    folder: FarmFolder,
    store: Objects | None = None,
    *,
    fence: int | None = None,
    check: Callable[[], None] = lambda: None,
    now: datetime | None = None,
) -> Published | None:
    """Publish what the farm shares; None if it shares nothing (what it had shared is taken back).

    ``store`` is that of ``[network]`` unless given; ``fence`` and ``check`` are those of a worker's lease
    (see ``pointer.publish``). Raises UserError for a farm that cannot share as it is set up, Attention if
    the network does not answer.
    """
    farm = farm_file.load(folder.farm_toml)
    last = note(folder)
    wanted = farm.network if farm.share.what != "nothing" else None
    if last is not None and (wanted is None or last.address != wanted.address):
        _take_back(folder, last)
    if wanted is None or farm.share.what == "nothing":
        return None
    if farm.farm.id is None:
        raise UserError(
            f"{folder.farm_toml} has no id for the network. Run: checkstrip network join {folder.root}"
        )
    store = store or objects.open_at(wanted.address)
    network = network_file.load(store)
    secret = network_file.secret_of(network)
    number = str(farm.farm.id)
    copy = published.newest(folder)
    if copy is None:
        raise UserError(f"Nothing is published yet. Run first: checkstrip once {folder.root}")
    stamp = _stamp(copy)
    with query.open_published(folder) as con:
        tables = rows.of_farm(con, number, secret, money=farm.share.money)
    about = About(number, farm.share.what)
    if farm.share.money:
        about = About(number, farm.share.what, farm.farm.currency)
    if farm.share.what == "named":
        place = farm.place
        about = About(
            number,
            "named",
            about.currency,
            farm.farm.name,
            network.on_grid(place.latitude),
            network.on_grid(place.longitude),
        )
    done = pointer.publish(store, about, tables, fence=fence, check=check)
    at = (now or datetime.now(UTC)).isoformat()
    _write(folder, Note(wanted.address, number, _settings(farm), stamp, at, done.sequence))
    return done


def leave(folder: FarmFolder, store: Objects, farm: str) -> bool:
    """Take back what a farm shared; False if the network did not have it."""
    was_there = pointer.leave(store, farm)
    _path(folder).unlink(missing_ok=True)
    return was_there


def _take_back(folder: FarmFolder, last: Note) -> None:
    leave(folder, objects.open_at(last.address), last.farm)


def _settings(farm: Farm) -> str:
    """Return the fingerprint of what decides what is shared and where."""
    given = (farm.farm.model_dump(mode="json"), farm.share.model_dump(), farm.network, VERSION)
    place = (farm.place.latitude, farm.place.longitude)
    return hashlib.sha256(repr((given, place)).encode()).hexdigest()[:16]


def _stamp(copy: Path) -> tuple[str, int, int]:
    stat = copy.stat()
    return copy.name, stat.st_size, stat.st_mtime_ns


def _write(folder: FarmFolder, content: Note) -> None:
    files.write_text(_path(folder), json.dumps(asdict(content), indent=1))


def _path(folder: FarmFolder) -> Path:
    return folder.state / "shared.json"
