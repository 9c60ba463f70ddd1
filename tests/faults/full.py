"""A disk that fills at some moment of a step, and is freed: then a quiet turn says what it always says."""

from __future__ import annotations

import random
import shutil
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

from tests.faults import forked
from tests.faults.failing import command, spoken
from tests.faults.forked import Child
from tests.faults.kills import Kills, Step, steps
from tests.faults.post import Post
from tests.faults.table import Found

SIZE_MB = 96
NAMES = ("collect, later", "derive", "publish", "digest, mailed")


class Disk:
    """A small disk in memory, for as long as it is entered; needs the right to mount."""

    def __init__(self, at: Path, size_mb: int = SIZE_MB) -> None:
        self.at, self.size_mb = at, size_mb
        self.filler = at / "filler"

    def __enter__(self) -> Disk:
        self.at.mkdir(parents=True)
        words = ["mount", "-t", "tmpfs", "-o", f"size={self.size_mb}m", "tmpfs", str(self.at)]
        made = subprocess.run(words, capture_output=True, text=True, check=False)
        if made.returncode:
            raise PermissionError(made.stderr.strip())
        return self

    def __exit__(self, *_: object) -> None:
        subprocess.run(["umount", "-l", str(self.at)], check=True)

    def fill(self, leave: int = 0) -> None:
        """Leave so many bytes free."""
        with self.filler.open("ab", buffering=0) as out:
            try:
                while (free := shutil.disk_usage(self.at).free) > leave:
                    out.write(bytes(min(1 << 20, free - leave)))
            except OSError:
                return

    def free(self) -> None:
        """Give all of it back."""
        self.filler.unlink(missing_ok=True)


def run(n: int, root: Path, say: Callable[[str], None], only: str = "") -> Found:
    """``n`` full disks: from the beginning with a little room left, or at a random moment."""
    found = Found(
        "A full disk",
        "step | full disks | ended with exit 1 or 2 and a sentence | went through all the same"
        " | afterwards as undisturbed",
    )
    try:
        with Disk(root / "disk") as disk, Post(root / "post") as post:
            kills = Kills(root / "farms", post)
            kills.here = disk.at / "farm"
            for step in steps():
                if step.name in NAMES and only in step.name:
                    kills.learn(step)
                    found.rows.append(_step(kills, step, disk, max(1, n // len(NAMES)), found))
                    say(f"{found.rows[-1]}")
    except PermissionError as error:
        found.skipped = f"a small disk cannot be mounted here ({error})"
    return found


def _step(kills: Kills, step: Step, disk: Disk, n: int, found: Found) -> tuple[object, ...]:
    rng = random.Random(step.name)
    ended = through = right = 0
    for number in range(n):
        forked.copied(kills.states[step.state], kills.here)
        kills.post.clear()
        leave = (0, 4096, 1 << 14, 1 << 16, 1 << 18)[number // 2 % 5]
        moment = rng.uniform(0, kills.seconds[step.name]) if number % 2 else 0.0
        if not moment:
            disk.fill(leave)
        child = Child(lambda: command(kills.here, step.name))
        if moment:
            time.sleep(moment)
            disk.fill(leave)
        end = child.wait()
        disk.free()
        wrong = [told] if (told := spoken(end)) else []
        try:
            said, more = kills.after(step)
            wrong += more
            if said != kills.expected[step.name]:
                wrong.append(f"afterwards it says {said}")
        except RuntimeError as error:
            wrong.append(f"the quiet run failed: {str(error)[-400:]}")
        ended += end.code in (1, 2)
        through += end.code == 0
        right += not wrong
        where = f"{step.name}, full from {moment:.2f} s with {leave:,} bytes left"
        found.wrong += [f"{where}: {told}" for told in wrong]
    return step.name, n, ended, through, right
