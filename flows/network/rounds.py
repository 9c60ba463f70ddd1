"""One round over hosted farms: every farm's turn, spread over workers in buckets, and the record of it.

A round holds the network's lease for as long as it lasts, so that one is at work at a time; farms share
under its number. After it the network's snapshot is made. Nothing that becomes of one farm or one worker
changes what becomes of another farm.
"""

from __future__ import annotations

import socket
import threading
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from flows.base import lock
from flows.base.errors import Attention, Busy, UserError
from flows.base.plain_text import counted
from flows.network import bucket, engine, lease, snapshot
from flows.network.engine import Task
from flows.network.hosts import Farm, Host, Turn
from flows.network.lease import Lease
from flows.share import network_file, objects
from schemas import generated
from schemas.catalogue import NETWORK
from schemas.farm.hosting import Hosting

if TYPE_CHECKING:
    from distributed import Client

LEASE_S = 120.0
_NUMBER = "%Y%m%dT%H%M%S%fZ"  # of a round: sorts by time
_IN_WORDS = {
    "quiet": "had nothing new",
    "done": "had something new",
    "attention": "need attention",
    "failed": "failed",
    "refused": "may not run as they are",
}


@dataclass(slots=True)
class Round:
    """What a round did: a row a farm, by node, and what to know beside them."""

    number: str
    turns: dict[str, list[Turn]] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    @property
    def rows(self) -> list[Turn]:
        """Return the rows of all nodes."""
        return [turn for turns in self.turns.values() for turn in turns]

    @property
    def wants_attention(self) -> bool:
        """Return whether something is to be looked at."""
        bad = ("attention", "failed", "refused")
        return bool(self.notes) or any(turn.state in bad for turn in self.rows)

    def __str__(self) -> str:
        """In a sentence."""
        states: Counter[str] = Counter(turn.state for turn in self.rows)
        parts = [
            f"{states[state]:,} {words}" for state, words in _IN_WORDS.items() if states[state]
        ]
        return f"{counted(len(self.rows), 'farm')}{': ' if parts else ''}{', '.join(parts)}."

    def problems(self) -> Iterator[str]:
        """Yield a sentence for each farm that needs to be looked at, and the notes."""
        several = len(self.turns) > 1
        for node, turns in self.turns.items():
            for turn in turns:
                if turn.state not in ("quiet", "done"):
                    where = f"{turn.folder} on {node}" if several else turn.folder
                    yield f"{where} ({turn.state}): {turn.summary}"
        yield from self.notes


def run(root: Path, client: Client) -> Round:
    """Do one round with the workers of ``client``; ``root`` is the host's folder on every node.

    Raises UserError (no such folder, a mistake in its file), Busy (another round is at work), Attention
    (the network's store does not answer).
    """
    host = Host.at(root)
    hosting = host.hosting()
    done = Round(datetime.now(UTC).strftime(_NUMBER))
    with (
        lock.hold(host.state / "round.lock", "a round over all farms"),
        _leased(hosting.network) as held,
    ):
        placed = _placed(client, host, done)
        workers = len(engine.workers(client))
        tasks = list(_tasks(placed, host, hosting, done.number, held, workers))
        failed = {
            (task.node, farm.name): why
            for task, rows, why in engine.results(client, bucket.work, tasks)
            if rows is None
            for farm in task.arguments[2]
        }
        for node, farms in placed.items():
            why = {farm.name: failed.get((node, farm.name), "") for farm in farms}
            given = (str(host.root), done.number, farms, why)
            try:
                done.turns[node] = engine.on_node(client, node, finish, *given)
            except Exception as error:
                done.notes.append(f"The node {node} does not answer any more ({error}).")
        if held is not None and hosting.network is not None:
            _share(objects.open_at(hosting.network), held, done)
    return done


def snapshot_only(host: Host) -> Round:
    """Make the snapshot of the host's network, of what farms elsewhere share. Raises as ``run`` does."""
    hosting = host.hosting()
    if hosting.network is None:
        raise UserError(
            f"{host.root} has no farm folders, and {host.file.name} names no network. Put farm folders "
            'there, or name the network: network = "s3://bucket/prefix"'
        )
    return snapshot_at(hosting.network)


def snapshot_at(address: str) -> Round:
    """Make the snapshot of a network. Raises Busy (a round is at work), Attention (no answer)."""
    done = Round(datetime.now(UTC).strftime(_NUMBER))
    with _leased(address) as held:
        assert held is not None
        _share(objects.open_at(address), held, done)
    return done


def finish(root: str, number: str, farms: Sequence[Farm], failed: dict[str, str]) -> list[Turn]:
    """Close the record of a round on a node; a farm that did not end failed. Returns the rows."""
    host = Host(Path(root))
    for farm in farms:
        if host.ended_of(number, farm.name) is None:
            why = failed.get(farm.name) or "its turn did not end"
            bucket.not_done(host, number, farm, "failed", f"It was not done: {why}.")
    return host.close(number)


def survey(root: str, number: str) -> list[Farm]:
    """Return a node's hosted farms; those that may not run are recorded as refused."""
    host = Host.at(Path(root))
    farms = host.farms()
    for name, why in host.claimed(farms).items():
        bucket.not_done(host, number, next(f for f in farms if f.name == name), "refused", why)
    return farms


def _placed(client: Client, host: Host, done: Round) -> dict[str, list[Farm]]:
    """Return each node with its farms; a node without the folder is noted."""
    found: dict[str, list[Farm]] = {}
    for node in engine.nodes(client):
        try:
            found[node] = engine.on_node(client, node, survey, str(host.root), done.number)
        except Exception as error:
            done.notes.append(f"The node {node} was left out: {error}")
    _refuse_twice(client, host, found, done.number)
    return found


def _refuse_twice(client: Client, host: Host, placed: dict[str, list[Farm]], number: str) -> None:
    """Refuse a farm whose id a farm on an earlier node has."""
    owners: dict[str, str] = {}
    for node, farms in placed.items():
        for farm in farms:
            owner = owners.setdefault(farm.id, node) if farm.id else node
            if owner != node:
                why = f"Its id {farm.id} is that of a farm on the node {owner} already."
                engine.on_node(client, node, refuse, str(host.root), number, farm, why)


def refuse(root: str, number: str, farm: Farm, why: str) -> None:
    """Record a farm of this node as refused."""
    bucket.not_done(Host(Path(root)), number, farm, "refused", why)


def _tasks(  # noqa: PLR0917
    placed: dict[str, list[Farm]],
    host: Host,
    hosting: Hosting,
    number: str,
    held: Lease | None,
    workers: int,
) -> Iterator[Task]:
    """Yield the buckets, small enough that all workers have some; each goes to a node that has its farms."""
    for node, farms in placed.items():
        size = max(1, min(hosting.round.bucket, -(-len(farms) // (4 * workers))))
        for start in range(0, len(farms), size):
            part = farms[start : start + size]
            given = (str(host.root), number, part, hosting.limits, held.fence if held else None)
            yield Task(f"{number}-{node}-{start}", node, given)


@contextmanager
def _leased(network: str | None) -> Iterator[Lease | None]:
    """Hold the network's lease of rounds while the round lasts; None if the host has no network."""
    if network is None:
        yield None
        return
    store = objects.open_at(network)
    network_file.load(store)  # says so if there is none
    held = lease.take(store, lease.ROUND, socket.gethostname(), LEASE_S)
    if held is None:
        by = lease.holder(store, lease.ROUND)
        raise Busy(
            f"Another round is at work on this network ({by.holder if by else 'it does not say where'}). "
            "Wait until it has finished."
        )
    over = threading.Event()
    renewing = threading.Thread(target=_renew, args=(held, over), daemon=True)
    renewing.start()
    try:
        yield held
    finally:
        over.set()
        renewing.join()
        with suppress(Attention):
            held.release()


def _renew(held: Lease, over: threading.Event) -> None:
    """Hold on to the lease. If that fails, nothing is written under it, so nothing more is to be done."""
    while not over.wait(LEASE_S / 4):
        try:
            held.renew()
        except lease.Lost:
            return
        except Attention:
            continue


def _share(store: objects.Objects, held: Lease, done: Round) -> None:
    """Make the snapshot, with the rows of this round."""
    try:
        made = snapshot.compact(store, held, as_network_run(done))
        done.notes += made.notes
    except Attention as trouble:
        done.notes.append(f"The snapshot was not made: {trouble}")


def as_network_run(done: Round) -> pl.DataFrame:
    """Return the rows of ``network_run``: of the farms that have an id, not of copies that claim one."""
    table = NETWORK["network_run"]
    owned = {turn.farm for turn in done.rows if turn.state != "refused"}
    rows = [
        asdict(turn)
        | {
            "started_at": datetime.fromisoformat(turn.started_at),
            "ended_at": datetime.fromisoformat(turn.ended_at),
        }
        for turn in done.rows
        if turn.farm is not None and (turn.state != "refused" or turn.farm not in owned)
    ]
    schema = generated.polars_schema(table)
    given = [{name: row[name] for name in schema} for row in rows]
    return pl.DataFrame(given, schema=schema)
