"""Kill −9 at random moments of every step; then a quiet turn says what it always says."""

from __future__ import annotations

import os
import random
import shutil
import signal
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import ClassVar

from tests.faults import farms, forked
from tests.faults.disk import Call, Count, Disk
from tests.faults.forked import Child
from tests.faults.left import drops, halves, pages
from tests.faults.post import Post
from tests.faults.table import Clock, Found


@dataclass(frozen=True, slots=True)
class Step:
    """What is killed, from which state of the folder, and how many of a hundred kills it gets."""

    name: str
    state: str
    share: int
    work: Callable[[Path], object]


def steps() -> list[Step]:
    """The steps that there are."""
    return [
        Step("collect, first", "fresh", 12, lambda p: _step(p, "collect")),
        Step("collect, later", "grown", 20, lambda p: _step(p, "collect")),
        Step("derive", "landed", 18, lambda p: _step(p, "derive")),
        Step("publish", "derived", 15, lambda p: _step(p, "publish")),
        Step("rebuild", "derived", 5, lambda p: _step(p, "rebuild")),
        Step("digest, saved", "saved", 10, _digest),
        Step("digest, mailed", "mailed", 15, _digest),
        Step("alert, mailed", "alerted", 10, _alert),
        Step("backup", "derived", 10, lambda p: _step(p, "backup")),
    ]


def _step(path: Path, name: str) -> None:
    from flows.farm.folder import FarmFolder
    from flows.run import steps as real

    forked.few()
    getattr(real, name)(FarmFolder.at(path))


def _digest(path: Path) -> None:
    from flows.farm.folder import FarmFolder
    from flows.pages.digest import write
    from flows.pages.week import Week
    from flows.run import steps as real

    write.last_week = lambda *_: Week.named(farms.WEEK)
    run = real.digest(FarmFolder.at(path))
    assert run.state == "done", run.summary


def _alert(path: Path) -> None:
    """Mail that the farm's instruments are silent, a year after its last readings."""
    from flows.farm.folder import FarmFolder
    from flows.pages.digest import alerts
    from flows.run import steps as real

    alerts.write = partial(alerts.write, now=datetime(2024, 12, 1, 12, tzinfo=UTC))
    real.alert(FarmFolder.at(path))


def named(path: Path) -> list[tuple[str, list[str]]]:
    """What each reader's alerts have named."""
    from flows.farm.folder import FarmFolder
    from flows.pages.mail.outbox import Outbox

    return [(letter.reader, letter.opened) for letter in Outbox(FarmFolder.at(path)).letters()]


def turn(path: Path) -> tuple[str, str]:
    """A quiet turn, and what the warehouse and the published copy say then."""
    from flows.farm.folder import FarmFolder
    from flows.run import steps as real

    forked.few()
    folder = FarmFolder.at(path)
    real.turn(folder)
    return farms.said(folder)


def restored(path: Path) -> tuple[str, str, list[str]]:
    """A quiet turn and a backup; what they say, and what is wrong with the backup once restored."""
    from flows.farm.folder import FarmFolder
    from flows.run import steps as real
    from flows.store import checksum, warehouse
    from flows.trust.backup.restore import restore

    forked.few()
    folder, back = FarmFolder.at(path), path.with_name("restored")
    real.turn(folder)
    wrong = [run.summary] if (run := real.backup(folder)).state != "done" else []
    shutil.rmtree(back, ignore_errors=True)
    done = restore(folder.backups, back)
    said = farms.said(folder)
    with warehouse.open_writer(done.folder) as con:
        own = checksum.total(con)
    return *said, [
        *wrong,
        *done.wrong,
        *(["the restored farm says other things"] * (own != said[0])),
    ]


class States(dict[str, Path]):
    """The folders that the steps begin with, each made when it is first asked for."""

    BEFORE: ClassVar = {
        "grown": "fresh",
        "landed": "grown",
        "derived": "landed",
        "saved": "derived",
        "mailed": "derived",
        "alerted": "derived",
    }

    def __init__(self, root: Path, port: int) -> None:
        super().__init__()
        self.root, self.port = root, port

    def __missing__(self, name: str) -> Path:
        path = self[name] = self.root / name
        if name in self.BEFORE:
            forked.copied(self[self.BEFORE[name]], path)
        match name:
            case "fresh":
                forked.run(lambda: _made(lambda: farms.make(path, move=True)))
            case "grown":
                forked.run(lambda: (turn(path), _made(lambda: _later(path))))
            case "landed":
                forked.run(lambda: _step(path, "collect"))
            case "derived":
                forked.run(lambda: _step(path, "derive"))
            case "alerted":
                forked.run(lambda: _whole(path))
                given = farms.toml(port=self.port, move=True, alerts=True)
                (path / "farm.toml").write_text(given)
            case _:
                mail = self.port if name == "mailed" else None
                (path / "farm.toml").write_text(farms.toml(port=mail, move=True))
                forked.run(lambda: _whole(path))
        return path


def _made(work: Callable[[], object]) -> None:
    work()


def _later(path: Path) -> None:
    from flows.farm.folder import FarmFolder

    farms.later(FarmFolder.at(path))


def _whole(path: Path) -> None:
    from flows.farm.folder import FarmFolder
    from flows.run import steps as real

    real.turn(FarmFolder.at(path))


@dataclass(slots=True)
class Chain:
    """What came of some kills and the quiet run after them."""

    hit: list[int] = field(default_factory=lambda: [0, 0])  # at a moment, at a call
    moments: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    twice: int = 0


class Kills:
    """The experiment."""

    def __init__(self, root: Path, post: Post, seed: int = 7) -> None:
        self.root, self.post, self.rng = root, post, random.Random(seed)
        self.states = States(root, post.port)
        self.expected: dict[str, object] = {}
        self.seconds: dict[str, float] = {}
        self.calls: dict[str, int] = {}
        self.here = root / "here"

    def learn(self, step: Step) -> None:
        """What the undisturbed step gives, how long it takes and how many calls it makes."""
        forked.copied(self.states[step.state], self.here)
        count = Count()

        def work() -> tuple[float, int]:
            began = time.monotonic()
            with Disk(self.here, count):
                step.work(self.here)
            return time.monotonic() - began, len(count.calls)

        self.seconds[step.name], self.calls[step.name] = forked.run(work)  # type: ignore[misc]
        self.expected[step.name] = self.after(step)[0]

    def after(self, step: Step) -> tuple[object, list[str]]:
        """What a quiet run gives after a step, and what is wrong with the files."""
        if step.name == "backup":
            return forked.run(lambda: restored(self.here)), halves(self.here)
        if step.work not in (_digest, _alert):
            return forked.run(lambda: turn(self.here)), halves(self.here)
        forked.run(lambda: step.work(self.here))
        wrong = halves(self.here)
        letters = self.post.letters()
        if step.state in ("mailed", "alerted") and len(letters) != 2:
            wrong.append(f"{len(letters)} of 2 readers have their letter")
        if any(len(set(copies)) != 1 for copies in letters.values()):
            wrong.append("a letter came twice with other content")
        if step.work is _alert:
            return forked.run(lambda: named(self.here)), wrong
        return pages(self.here), wrong

    def chain(self, step: Step, length: int) -> Chain:
        """Some kills one after the other, then a quiet run."""
        forked.copied(self.states[step.state], self.here)
        self.post.clear()
        before, found = drops(self.here), Chain()
        for _ in range(length):
            at_call = self.rng.random() < 0.5
            killed, moment = self.kill(step, at_call=at_call)
            found.hit[at_call] += killed
            found.moments.append(moment)
            found.wrong += halves(self.here)
        try:
            said, more = self.after(step)
        except RuntimeError as error:
            found.wrong.append(f"the quiet run failed: {str(error)[-300:]}")
            return found
        found.wrong += more
        if said != self.expected[step.name]:
            found.wrong.append(f"it says {said}, not {self.expected[step.name]}")
        if drops(self.here) != before:
            found.wrong.append("a file is lost from drop/")
        found.twice = sum(len(copies) - 1 for copies in self.post.letters().values())
        return found

    def kill(self, step: Step, *, at_call: bool) -> tuple[bool, str]:
        """One kill: whether it hit, and when it was to come."""
        nth = self.rng.randint(1, self.calls[step.name])
        wanted = nth
        moment = self.rng.uniform(0, self.seconds[step.name] * 1.02)

        def watch(_: Call) -> None:
            nonlocal nth
            nth -= 1
            if nth == 0:
                os.kill(os.getpid(), signal.SIGKILL)

        def work() -> None:
            with Disk(self.here, watch if at_call else lambda _: None):
                step.work(self.here)

        child = Child(work)
        if not at_call:
            time.sleep(moment)
            with suppress(ProcessLookupError):
                child.kill()
        killed = child.wait().killed
        return killed, f"call {wanted}" if at_call else f"{moment:.3f} s"


def run(n: int, root: Path, say: Callable[[str], None], only: str = "") -> Found:
    """``n`` kills, shared out over the steps; one to six of them before each quiet run."""
    found = Found(
        "Kill −9",
        "step | kills | of them at a random moment | at a random open, write, fsync or rename"
        " | quiet runs after | of them with checksum and files as undisturbed"
        " | letters that came twice, same ID",
    )
    with Post(root / "post") as post:
        kills = Kills(root / "farms", post)
        wanted = [step for step in steps() if only in step.name]
        tallies = {step.name: Tally(kills, step) for step in wanted}
        while sum(sum(t.hit) for t in tallies.values()) < n and not Clock.over():
            step = kills.rng.choices(wanted, [s.share for s in wanted])[0]
            told = tallies[step.name].one_more(found)
            say(
                f"{sum(sum(t.hit) for t in tallies.values())} of {n}, {told}, {len(found.wrong)} wrong"
            )
    found.rows = [(name, *t.figures()) for name, t in tallies.items()]
    found.rows.append(("all", *(sum(row[i] for row in found.rows) for i in range(1, 7))))
    return found


class Tally:
    """The chains of kills of one step."""

    def __init__(self, kills: Kills, step: Step) -> None:
        self.kills, self.step = kills, step
        self.hit, self.runs, self.right, self.twice = [0, 0], 0, 0, 0
        kills.learn(step)

    def one_more(self, found: Found) -> str:
        """A chain of one to six kills and a quiet run; what was done, in words."""
        chain = self.kills.chain(self.step, self.kills.rng.choice((1, 1, 2, 3, 4, 6)))
        self.runs, self.right = self.runs + 1, self.right + (not chain.wrong)
        self.hit = [a + b for a, b in zip(self.hit, chain.hit, strict=True)]
        self.twice += chain.twice
        told = f"{self.step.name}, killed at {', '.join(chain.moments)}"
        found.wrong += [f"{told}: {wrong}" for wrong in chain.wrong]
        return told

    def figures(self) -> tuple[int, ...]:
        """For the table."""
        return sum(self.hit), *self.hit, self.runs, self.right, self.twice
