"""A power cut at every call: unsynced bytes and names lost, emptied, zeroed, scrambled, mixed.

DuckDB's own file is taken as it lay on the disk at that moment: its makers test its log.
"""

from __future__ import annotations

import os
import pickle
import random
import signal
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from tests.faults import forked
from tests.faults.crash import WAYS, Model
from tests.faults.disk import Call, Disk
from tests.faults.forked import Child
from tests.faults.kills import Kills, Step, steps
from tests.faults.left import drops
from tests.faults.post import Post
from tests.faults.table import Clock, Found

NAMES = ("collect, first", "collect, later", "publish", "digest, mailed")


def stopped(step: Step, here: Path, nth: int, log: Path) -> list[Call]:
    """Run a step up to its ``nth`` call and end it there; the calls that were made."""
    calls: list[Call] = []

    def watch(call: Call) -> None:
        if len(calls) == nth:
            log.write_bytes(pickle.dumps(calls))
            os.kill(os.getpid(), signal.SIGKILL)
        calls.append(call)

    def work() -> None:
        with Disk(here, watch):
            step.work(here)
        log.write_bytes(pickle.dumps(calls))

    log.unlink(missing_ok=True)
    Child(work).wait()
    made: list[Call] = pickle.loads(log.read_bytes())
    return made


def _rebuilt(path: Path) -> str:
    """What the archive alone says."""
    from flows.farm.folder import FarmFolder
    from flows.trust.backup import rebuild

    forked.few()
    return rebuild.rebuild(FarmFolder.at(path))


def run(n: int, root: Path, say: Callable[[str], None], only: str = "") -> Found:
    """A power cut before every call of each step, or ``n`` of each; every way at each, or one by turns."""
    found = Found("Power cuts", "step | power cuts at | disk states | afterwards as undisturbed")
    rng = random.Random(11)
    with Post(root / "post") as post:
        kills = Kills(root / "farms", post)
        for step in steps():
            if step.name not in NAMES or only not in step.name:
                continue
            kills.learn(step)
            count = kills.calls[step.name]
            places = (
                range(count + 1) if not n else sorted(rng.sample(range(count + 1), min(n, count)))
            )
            states = right = 0
            for number, place in enumerate(places):
                if Clock.over():
                    break
                ways = WAYS if not n else (WAYS[number % len(WAYS)],)
                wrong = [told for way in ways for told in _cut(kills, step, place, way, rng)]
                states += len(ways)
                right += len(ways) - len({told.partition(":")[0] for told in wrong})
                found.wrong += wrong
                say(f"{step.name}, call {place} of {count}, {len(found.wrong)} wrong")
            found.rows.append((step.name, f"{len(places)} of {count + 1} calls", states, right))
    found.notes.append(
        "The database itself is taken as it lay on the disk at that moment: DuckDB's log is tested "
        "by its makers."
    )
    return found


def _cut(kills: Kills, step: Step, place: int, way: str, rng: random.Random) -> list[str]:
    """A power cut and the quiet run after it; what is wrong then."""
    base = kills.states[step.state]
    here = forked.copied(base, kills.here)
    kills.post.clear()
    before = drops(here)
    model = Model.of(here, base)
    calls = stopped(step, here, place, kills.root / "calls")
    for call in calls:
        model.apply(call)
    model.lay(model.after(way, rng), here)
    last = str(calls[-1]) if calls else "the beginning"
    where = f"{step.name}, {way} after call {place} ({last})"
    wrong = []
    try:
        said, more = kills.after(step)
        wrong += more
        if said != kills.expected[step.name]:
            wrong.append(f"it says {said}, not {kills.expected[step.name]}")
        if "collect" in step.name and (again := forked.run(lambda: _rebuilt(here))) != said[0]:  # type: ignore[index]
            wrong.append(f"a rebuild from the archive says {again}")
    except RuntimeError as error:
        wrong.append(f"the quiet run failed, {str(error)[-400:]}")
    with suppress(OSError):
        if drops(here) != before:
            wrong.append("a file is lost from drop/")
    return [f"{where}: {told}" for told in wrong]
