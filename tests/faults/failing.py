"""Every open, write, fsync and rename failing in turn; then a quiet turn says what it always says."""

from __future__ import annotations

import errno
import resource
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from tests.faults import farms, forked
from tests.faults.disk import Disk, Fails
from tests.faults.forked import Child, Ended
from tests.faults.kills import Kills, Step, steps
from tests.faults.post import Post
from tests.faults.table import Found

NAMES = ("collect, later", "publish", "digest, mailed")
HEAD = (
    "step | the fault | faults | ended with exit 1 or 2 and a sentence"
    " | went on without (a note, a record of runs) | afterwards as undisturbed"
)


def command(path: Path, name: str) -> None:
    """The step as the command line does it: exit code and sentence included."""
    from flows import cli
    from flows.pages.digest import write
    from flows.pages.week import Week

    forked.few()
    write.last_week = lambda *_: Week.named(farms.WEEK)
    word, *more = {"digest, mailed": ("digest", "--send")}.get(name, (name.partition(",")[0],))
    sys.argv = ["checkstrip", word, str(path), *more]
    cli.main()


def spoken(ended: Ended) -> str:
    """What is wrong with the way a command ended; empty where it is as promised."""
    if "Traceback" in ended.said or "fault of the program" in ended.said:
        return f"no plain sentence: {ended.said.strip()[-300:]}"
    if ended.code not in (0, 1, 2) or not ended.said.strip():
        return f"exit {ended.code} with '{ended.said.strip()[-200:]}'"
    return ""


class Failing:
    """The experiment."""

    def __init__(self, root: Path, post: Post, found: Found) -> None:
        self.kills, self.found = Kills(root, post), found
        self.quiet: Counter[str] = Counter()

    def one(self, step: Step, fails: Fails | None, limit: int | None = None) -> tuple[int, bool]:
        """A run with a fault: its exit code, and whether all was well afterwards."""
        here = forked.copied(self.kills.states[step.state], self.kills.here)
        self.kills.post.clear()

        def work() -> None:
            if limit is not None:
                resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
                command(here, step.name)
            elif fails is not None:
                try:
                    with Disk(here, fails):
                        command(here, step.name)
                finally:
                    print(f"\nfault: {fails.hit}")

        ended = Child(work).wait()
        said, _, hit = ended.said.rpartition("\nfault: ")
        ended.said = said or ended.said
        where = f"{step.name}, fault at {hit.strip() or limit}"
        wrong = [told] if (told := spoken(ended)) else []
        if ended.code == 0 and hit.strip():
            self.quiet[" ".join([step.name, hit.split()[0], Path(hit.split()[-1]).name])] += 1
        try:
            after, more = self.kills.after(step)
            wrong += more
            if after != self.kills.expected[step.name]:
                wrong.append(f"afterwards it says {after}")
        except RuntimeError as error:
            wrong.append(f"the quiet run failed: {str(error)[-300:]}")
        self.found.wrong += [f"{where}: {told}" for told in wrong]
        return ended.code, not wrong

    def each(self, step: Step, *, on: bool, n: int) -> tuple[object, ...]:
        """Call after call; ``n`` of them, or all."""
        count = self.kills.calls[step.name]
        places = range(1, count + 1) if not n else sorted({1 + i * count // n for i in range(n)})
        codes = [self.one(step, Fails(i, _code(i, on), on=on)) for i in places]
        fault = "a disk that stays full from there on" if on else "that one call"
        return (step.name, fault, *_counted(codes))

    def sizes(self, step: Step, n: int) -> tuple[object, ...]:
        """DuckDB's own writes: no file may grow beyond a limit."""
        sizes = [round(1000 * 10_000 ** (i / (n - 1))) for i in range(n)]  # 1 kB to 10 MB
        codes = [self.one(step, None, size) for size in sizes]
        return (step.name, "no file may grow beyond a limit", *_counted(codes))


def _code(number: int, on: bool) -> int:
    return errno.ENOSPC if on or number % 2 else errno.EIO


def _counted(codes: list[tuple[int, bool]]) -> tuple[int, int, int, int]:
    ended = sum(code in (1, 2) for code, _ in codes)
    return len(codes), ended, sum(code == 0 for code, _ in codes), sum(good for _, good in codes)


def run(n: int, root: Path, say: Callable[[str], None], only: str = "") -> Found:
    """All calls of each step in turn; with ``n`` so many of each step, spread evenly."""
    found = Found("Failing calls", HEAD)
    with Post(root / "post") as post:
        failing = Failing(root / "farms", post, found)
        for step in steps():
            if step.name not in NAMES or only not in step.name:
                continue
            failing.kills.learn(step)
            for on in (False, True):
                found.rows.append(failing.each(step, on=on, n=n))
                say(f"{found.rows[-1]}")
            if "digest" not in step.name:
                found.rows.append(failing.sizes(step, 12 if not n else max(2, n // 2)))
                say(f"{found.rows[-1]}")
    told = "; ".join(f"{place} ({number})" for place, number in sorted(failing.quiet.items()))
    found.notes.append(f"Exit 0 although a call failed: {told or 'never'}.")
    return found
