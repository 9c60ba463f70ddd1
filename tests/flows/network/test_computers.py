"""Rounds with an operator's scheduler: workers on this computer, and workers on several."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from contextlib import ExitStack
from pathlib import Path

import pytest

from flows.base.errors import Attention, UserError
from flows.network import engine, reading, rounds
from flows.share import network_file, objects, pointer
from tests.flows import object_stores
from tests.flows.network import computers, hosted

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="farms are hosted on POSIX systems")
ROOT = sys.platform == "linux" and os.geteuid() == 0
SHARING = '\n[share]\nwhat = "named"\n[network]\naddress = "{address}"\n'


def a_round(root: Path, scheduler: str) -> tuple[int, list[dict], str]:
    """Do a round as an operator does; return its exit code, its rows and what it said."""
    program = [sys.executable, "-c", "from flows.cli import main; main()"]
    done = subprocess.run(
        [*program, "network", "run", str(root), "--scheduler", scheduler, "--json"],
        capture_output=True,
        text=True,
        timeout=400,
        cwd=computers.ROOT,
        check=False,
    )
    rows = json.loads(done.stdout) if done.stdout.startswith("[") else []
    return done.returncode, rows, done.stdout + done.stderr


def wait_for(scheduler: str, workers: int) -> None:
    """Return once the scheduler knows so many workers: a round takes those that are there."""
    with engine.joined(scheduler) as client:
        client.wait_for_workers(workers, timeout=120)


def test_the_workers_of_a_scheduler_that_runs_already_do_the_round(tmp_path: Path) -> None:
    host = hosted.host_at(tmp_path / "farms")
    for number in range(6):
        hosted.add(host, f"slow-{number}")
    log = tmp_path / "log"
    preload = ("--preload", "tests.flows.network.poisoned")
    with ExitStack() as stack:
        at = stack.enter_context(computers.scheduler("127.0.0.1", log))
        for _ in range(2):
            words = computers.worker(at, "127.0.0.1", *preload)
            stack.enter_context(computers.started(words, computers.OF_A_WORKER, log))
        wait_for(at, 2)
        code, rows, said = a_round(host.root, at)
    assert code == 0, said
    assert [(row["folder"], row["state"]) for row in rows] == [
        (f"slow-{number}", "done") for number in range(6)
    ]
    assert all((host.root / f"slow-{n}" / "ran").read_text().count("\n") == 1 for n in range(6))


def test_a_scheduler_that_is_not_there_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engine, "ANSWER_S", 2)
    with pytest.raises(Attention, match=r"scheduler at tcp://127.0.0.1:1 does not answer"):
        ExitStack().enter_context(engine.joined("tcp://127.0.0.1:1"))
    host = hosted.host_at(tmp_path / "farms")
    hosted.add(host, "a")
    code, _, said = a_round(host.root, "nonsense://x:1")
    assert code == 2
    assert "nonsense://x:1 is no address of a scheduler" in said
    assert "Traceback" not in said
    for wrong in ("tcp://127.0.0.1", "127.0.0.1:x", ""):
        with pytest.raises(UserError, match="is no address of a scheduler"), engine.joined(wrong):
            pass


@pytest.mark.skipif(not ROOT, reason="only root makes computers of one kernel")
def test_several_computers_each_with_its_own_disk_and_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two computers and the operator's, a store on a network address, a copied farm, a cable taken out."""
    root, log = tmp_path / "farms", tmp_path / "log"
    with ExitStack() as stack:
        nodes = stack.enter_context(computers.several(2))
        server = stack.enter_context(object_stores.s3_server(computers.HERE))
        address = object_stores.new_address("s3", server, tmp_path)
        store = objects.open_at(address)
        _, secret = network_file.init(store, "Invented")
        monkeypatch.setenv(network_file.SECRET, secret)
        hosting = f'network = "{address}"\n'
        hosted.host_at(root, hosting)  # the operator's own, without farms
        at = stack.enter_context(computers.scheduler(computers.HERE, log))
        workers = []
        for node in nodes:
            disk = hosted.host_at(tmp_path / node.name, hosting)
            hosted.add(disk, f"of {node.name}", days=2, more=SHARING.format(address=address))
            words = node.running(computers.worker(at, node.address), disk.root, root)
            workers.append(
                stack.enter_context(computers.started(words, computers.OF_A_WORKER, log))
            )
        copy = hosted.add(hosted.Host(tmp_path / "node1"), "copied")
        (copy / "farm.toml").write_bytes(
            (tmp_path / "node0" / "of node0" / "farm.toml").read_bytes()
        )

        wait_for(at, 2)
        code, rows, said = a_round(root, at)
        assert {row["folder"]: row["state"] for row in rows} == {
            "of node0": "done", "of node1": "done", "copied": "refused",
        }, said  # fmt: skip
        assert code == 1 and len(list(root.iterdir())) <= 2  # its hosting.toml and its state
        assert {row["folder"]: row["worker"].split()[0] for row in rows} == {
            "of node0": "node0", "of node1": "node1", "copied": "node1",
        }  # fmt: skip
        for node in nodes:
            number = hosted.farm_id(f"of {node.name}")
            shared = pointer.parse(store.get(pointer.key(number)).content, number)
            assert shared.sequence == 1
            assert (tmp_path / node.name / f"of {node.name}" / "archive").is_dir()
        found, tables = reading.newest(store)
        assert set(tables["network_farm"]["name"]) == {"of node0", "of node1"}

        nodes[1].unplug()
        computers.end(workers[1])
        monkeypatch.setattr(engine, "NODE_S", 10.0)
        with engine.joined(at) as client:
            done = rounds.run(root, client)
        assert [(turn.folder, turn.state) for turn in done.rows] == [("of node0", "done")]
        assert len(done.notes) == 1 and f"The node {nodes[1].address} was left out" in done.notes[0]
        assert reading.newest(store)[0].farms == found.farms  # what is away stays in the answers
