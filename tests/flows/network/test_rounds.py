"""A round with two worker processes of the engine: killed, stopped, poisoned, each farm ends once."""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import dask
import pytest

from flows.base import lock
from flows.base.errors import Busy, UserError
from flows.farm.folder import FarmFolder
from flows.network import engine, lease, reading, rounds, start
from flows.network.hosts import Host
from flows.run import steps
from flows.share import network_file, objects, pointer
from flows.store import checksum, warehouse
from tests.flows.network import hosted

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="farms are hosted on POSIX systems")


@pytest.fixture(scope="module")
def poisoned() -> Iterator[Any]:
    """Two worker processes whose farms do what their names say; one that does not answer is soon given up."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(engine._SETTINGS, "distributed.scheduler.worker-ttl", "20s")
        preload = {"distributed.worker.preload": ["tests.flows.network.poisoned"]}
        with dask.config.set(preload), engine.started(2) as client:
            yield client


def pids(client: Any) -> list[int]:
    return sorted(client.run(os.getpid).values())


def in_a_thread(root: Path, client: Any) -> tuple[threading.Thread, list[rounds.Round]]:
    found: list[rounds.Round] = []
    thread = threading.Thread(target=lambda: found.append(rounds.run(root, client)))
    thread.start()
    return thread, found


def ran(host: Host) -> Counter[str]:
    """How often each farm's turn was begun."""
    files = host.root.glob("*/ran")
    return Counter({file.parent.name: file.read_text().count("\n") for file in files})


def until(what: Any, limit_s: float = 300) -> None:
    end = time.monotonic() + limit_s
    while not what():
        assert time.monotonic() < end, "it took too long"
        time.sleep(0.02)


def test_there_are_two_workers_each_with_its_process(poisoned: Any) -> None:
    assert len(set(pids(poisoned)) | {os.getpid()}) == 3


@pytest.mark.parametrize("sent", [signal.SIGKILL, signal.SIGSTOP])
def test_whatever_becomes_of_a_worker_each_farm_ends_once(
    tmp_path: Path, poisoned: Any, sent: signal.Signals
) -> None:
    host = hosted.host_at(tmp_path / "farms", "[round]\nbucket = 4\n")
    for number in range(20):
        hosted.add(host, f"slow-{number:02d}")
    thread, found = in_a_thread(host.root, poisoned)
    victim = pids(poisoned)[0]
    until(lambda: len(ran(host)) >= 6)
    os.kill(victim, sent)
    thread.join(300)
    with suppress(ProcessLookupError):  # it was given up, and replaced
        os.kill(victim, signal.SIGCONT)
    assert not thread.is_alive()
    (done,) = found
    assert [turn.folder for turn in done.rows] == [f"slow-{n:02d}" for n in range(20)]
    assert {turn.state for turn in done.rows} == {"done"}
    assert done.notes == []
    assert sum(ran(host).values()) <= 21  # one was at work in the worker that is gone
    assert str(done) == "20 farms: 20 had something new."


def test_no_neighbor_of_a_poisoned_farm_fails(tmp_path: Path, poisoned: Any) -> None:
    bad = ("exits", "crashes", "loops", "eats", "kills")
    limits = "[limits]\ntime_s = 2\nmemory_mb = 300\n[round]\nbucket = 50\n"
    host = hosted.host_at(tmp_path / "farms", limits)
    for name in bad:
        hosted.add(host, name)
        for number in range(3):
            hosted.add(host, f"good-{name}-{number}")
    done = rounds.run(host.root, poisoned)
    assert {turn.folder for turn in done.rows if turn.state == "failed"} == set(bad)
    assert sum(turn.state == "done" for turn in done.rows) == 15
    assert done.wants_attention
    assert any(line.startswith("loops (failed): It was stopped") for line in done.problems())


def test_a_farm_with_anothers_id_is_refused_and_the_owner_runs(
    tmp_path: Path, poisoned: Any
) -> None:
    host = hosted.host_at(tmp_path / "farms")
    hosted.add(host, "owner")
    rounds.run(host.root, poisoned)
    thief = hosted.add(host, "a thief")
    toml = (
        (thief / "farm.toml")
        .read_text()
        .replace(hosted.farm_id("a thief"), hosted.farm_id("owner"))
    )
    (thief / "farm.toml").write_text(toml)
    done = rounds.run(host.root, poisoned)
    assert {turn.folder: turn.state for turn in done.rows} == {
        "a thief": "refused",
        "owner": "done",
    }
    assert list(ran(host)) == ["owner"]


def test_one_round_at_a_time(tmp_path: Path, poisoned: Any) -> None:
    store = objects.open_at(str(tmp_path))
    host = hosted.host_at(tmp_path / "farms", f'network = "{tmp_path}"\n')
    network_file.init(store, "Invented")
    held = lease.take(store, lease.ROUND, "another node", 60)
    assert held is not None
    with pytest.raises(Busy, match=r"Another round is at work on this network .another node"):
        rounds.run(host.root, poisoned)
    held.release()
    with lock.hold(host.state / "round.lock", "a round"), pytest.raises(Busy):
        rounds.run(host.root, poisoned)
    assert start.round_over(host).rows == []  # without farms no worker is started
    assert reading.newest(store)[0].farms == 0


def test_without_farms_and_network_there_is_nothing_to_do(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="names no network"):
        start.round_over(hosted.host_at(tmp_path))
    with pytest.raises(UserError, match=r"has no hosting.toml"):
        Host.at(tmp_path.parent)


SHARING = """
[share]
what = "named"
[network]
address = "{address}"
"""


def test_real_farms_become_what_they_are_alone_and_share_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, address: str
) -> None:
    """A farm in a round whose worker is killed, beside the same farm by ``once``, and a broken one.

    The round, its lease, what the farm shares and the snapshot are in a store of each kind.
    """
    store = objects.open_at(address)
    _, secret = network_file.init(store, "Invented")
    monkeypatch.setenv(network_file.SECRET, secret)
    host = hosted.host_at(tmp_path / "farms", f'network = "{address}"\n')
    alone = hosted.host_at(tmp_path / "alone")
    hosted.add(host, "a", days=4, more=SHARING.format(address=address))
    hosted.add(alone, "a", days=4)
    (hosted.add(host, "broken") / "farm.toml").write_text("[farm\n")
    # workers of its own, without what the fixture has them load
    with dask.config.set({"distributed.worker.preload": []}), engine.started(2) as client:
        thread, found = in_a_thread(host.root, client)
        begun = host.root / "a" / "warehouse" / "checkstrip.duckdb"
        until(lambda: begun.exists() or not thread.is_alive())
        assert begun.exists(), found
        os.kill(pids(client)[0], signal.SIGKILL)
        thread.join(400)
        (first,) = found
        for _ in range(2):  # what the first one published is no news to the third
            again = rounds.run(host.root, client)
    assert [(t.folder, t.state) for t in first.rows] == [("a", "done"), ("broken", "refused")]
    assert "not valid TOML" in first.rows[1].summary
    assert [t.state for t in again.rows] == ["quiet", "refused"]
    assert all(t.cpu_s < first.rows[0].cpu_s / 4 for t in again.rows)

    steps.turn(FarmFolder.at(alone.root / "a"))
    totals = []
    for one in (host, alone):
        with warehouse.open_writer(FarmFolder.at(one.root / "a")) as con:
            totals.append(checksum.total(con))
    assert totals[0] == totals[1]
    content = store.get(pointer.key(hosted.farm_id("a")))
    assert content is not None
    published = pointer.parse(content.content, hosted.farm_id("a"))
    assert published is not None
    assert (published.sequence, published.fence >= 1) == (1, True)
    made, tables = reading.newest(store)
    assert made.farms == made.named == 1
    assert set(tables["network_farm"]["name"]) == {"a"}
