"""Many farms: a round with one and two workers, with a worker killed, and the snapshot over all of them.

``python -m tests.bench.bench_network FOLDER [WHOLE] [OF_TABLES]``: so many whole farms are hosted, and so many
more share invented tables. Prints rows for FIGURES.md; exits 1 if the tables differ from those of one machine.
"""

from __future__ import annotations

import os
import resource
import shutil
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from flows.farm.folder import FarmFolder
from flows.network import engine, rounds, snapshot
from flows.network.hosts import Host
from flows.run import steps
from flows.share import network_file, objects, pointer
from flows.share.pointer import About
from flows.store import checksum, warehouse
from tests.flows import shared_farms
from tests.flows.network import hosted

SHARING = '\n[share]\nwhat = "named"\n[network]\naddress = "{address}"\n'


def main(root: Path, whole: int = 30, of_tables: int = 270) -> bool:
    """Run it below an empty folder; return whether all agreed."""
    root.mkdir(parents=True)
    (root / "store").mkdir()
    address = str(root / "store")
    store = objects.open_at(address)
    _, os.environ[network_file.SECRET] = network_file.init(store, "Invented")
    host = hosted.host_at(root / "farms", f'network = "{address}"\n[round]\nbucket = 50\n')
    for number in range(whole):
        hosted.add(host, f"farm-{number:03d}", 5, SHARING.format(address=address))
    with timed(f"publish the tables of {of_tables} farms"):
        for number in range(of_tables):
            farm = shared_farms.farm_id(number)
            pointer.publish(store, About(farm, "pooled"), shared_farms.tables(farm, number))
    with engine.started(2) as client:
        told("first landing, 2 workers, one killed", killed(client, host))
        for what in ("nothing new, looked for", "quiet"):
            told(f"{what}, 2 workers", lambda: rounds.run(host.root, client))
        add_a_day(host, 6)
        told("a day's file, 2 workers", lambda: rounds.run(host.root, client))
    with engine.started(1) as client:
        add_a_day(host, 7)
        told("a day's file, 1 worker", lambda: rounds.run(host.root, client))
        told("nothing new, looked for, 1 worker", lambda: rounds.run(host.root, client))
        told("quiet, 1 worker", lambda: rounds.run(host.root, client))
    return agree(root, host, store)


@contextmanager
def timed(what: str) -> Iterator[None]:
    """Print the time of what is done inside."""
    wall, cpu = time.monotonic(), own_cpu()
    yield
    print(f"| {what} | {time.monotonic() - wall:.1f} s | {own_cpu() - cpu:.1f} CPU s |", flush=True)


def own_cpu() -> float:
    """The processor time of this process: snapshots are made here."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def told(what: str, do: Callable[[], rounds.Round]) -> None:
    """Do a round, and print what it took."""
    wall, cpu = time.monotonic(), own_cpu()
    done = do()
    took, own = time.monotonic() - wall, own_cpu() - cpu
    of_farms = sum(turn.cpu_s for turn in done.rows)
    peak = max(turn.peak_mb for turn in done.rows)
    each = of_farms / len(done.rows)
    print(
        f"| {what} | {took:.1f} s | {of_farms:.1f} CPU s of farms, {each:.3f} each; {own:.1f} of the round "
        f"and snapshot | {peak:.0f} MB | {done} |",
        flush=True,
    )
    for problem in done.problems():
        print(f"  {problem}", flush=True)


def killed(client: Any, host: Host) -> Callable[[], rounds.Round]:
    """A round in which a worker is killed while it works."""

    def do() -> rounds.Round:
        found: list[rounds.Round] = []
        thread = threading.Thread(target=lambda: found.append(rounds.run(host.root, client)))
        thread.start()
        while not list(host.root.glob("*/warehouse/*.duckdb")):
            time.sleep(0.1)
        os.kill(sorted(client.run(os.getpid).values())[0], signal.SIGKILL)
        thread.join()
        return found[0]

    return do


def add_a_day(host: Host, day: int) -> None:
    """Put a day's file into each drop folder."""
    for farm in host.farms():
        lines = [f"2021-06-{day:02d} {hour:02d}:00,{10 + hour}" for hour in range(24)]
        text = "\n".join(["t,T", *lines, ""])
        (host.root / farm.name / "drop" / f"day {day}.csv").write_text(text)


def agree(root: Path, host: Host, store: objects.Objects) -> bool:
    """Compare with one machine: farms alone, and the snapshot of the same pointers made at once."""
    alone = hosted.host_at(root / "alone")
    alone.file.unlink()
    farms = [farm.name for farm in host.farms()]
    right = True
    for name in farms[:2]:
        folder = FarmFolder(hosted.add(alone, name, 5))
        for day in (6, 7):
            source = host.root / name / "drop" / f"day {day}.csv"
            shutil.copy2(source, folder.drop / source.name)
        steps.turn(folder)
        right &= total(folder) == total(FarmFolder(host.root / name))
    publishes = [pointer.parse(found.content, id_) for id_, found in pointers(host, store)]
    right &= all(one is not None and one.sequence == 1 for one in publishes)
    copied = objects.open_at(str(shutil.copytree(root / "store", root / "copy")))
    for gone in ("snapshot", "private", "snapshot.json"):
        path = root / "copy" / gone
        shutil.rmtree(path) if path.is_dir() else path.unlink()
    with timed("the whole snapshot made at once"):
        at_once = snapshot.compact(copied)
    in_rounds = snapshot.current(store)
    assert in_rounds is not None
    names = {name: one.object for name, one in in_rounds.tables.items()}
    right &= names == {name: one.object for name, one in at_once.tables.items()}
    sizes = sum(one.bytes for one in in_rounds.tables.values())
    print(f"{in_rounds.farms} farms in the snapshot, {sizes / 1e3:.0f} kB; all agree: {right}")
    return right


def pointers(host: Host, store: objects.Objects) -> Iterator[tuple[str, objects.Found]]:
    """The pointers of the hosted farms."""
    for farm in host.farms():
        assert farm.id is not None
        found = store.get(pointer.key(farm.id))
        assert found is not None
        yield farm.id, found


def total(folder: FarmFolder) -> str:
    """The checksum of a farm's warehouse."""
    with warehouse.open_writer(folder) as con:
        return checksum.total(con)


if __name__ == "__main__":
    sizes = [int(word) for word in sys.argv[2:]]
    sys.exit(not main(Path(sys.argv[1]), *sizes))
