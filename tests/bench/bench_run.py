"""Resident memory of ``checkstrip run`` over many quick turns.

    python -m tests.bench.bench_run 200          # until 200 turns were made

Linux only (/proc). The farm is new and empty: what stays resident is the scheduler, not the work.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from flows.farm.folder import FarmFolder
from flows.setup.new import new

SCRIPT = "import sys; sys.argv[0] = 'checkstrip'; from flows.cli import main; main()"
TURN = re.compile(r"^\S+ \S+ \w+ collect: ", re.MULTILINE)


def farm(root: Path, every: str) -> FarmFolder:
    """A new farm that collects at ``every``."""
    new(root, "metric")
    toml = root / "farm.toml"
    text = toml.read_text(encoding="utf-8") + f'\n[schedules]\ncollect = "{every}"\n'
    toml.write_text(text, encoding="utf-8")
    return FarmFolder.at(root)


@contextmanager
def running(folder: FarmFolder) -> Iterator[subprocess.Popen[bytes]]:
    """``checkstrip run`` in a process group of its own."""
    process = subprocess.Popen(
        [sys.executable, "-c", SCRIPT, "run", str(folder.root)],
        start_new_session=True,
        stdout=subprocess.DEVNULL,
    )
    try:
        yield process
    finally:
        os.killpg(process.pid, signal.SIGINT)
        try:
            process.wait(60)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)


def resident_mb(pid: int) -> float:
    """Memory of a process that is in RAM now."""
    said = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    return int(re.search(r"VmRSS:\s+(\d+) kB", said)[1]) / 1000  # type: ignore[index]


def log(folder: FarmFolder) -> str:
    """All of its log."""
    return "".join(p.read_text(encoding="utf-8") for p in sorted(folder.logs.glob("*.log*")))


def memory(turns: int) -> None:
    """Print resident memory and the size of the scheduler's database by turns made."""
    with tempfile.TemporaryDirectory() as passing:
        folder = farm(Path(passing) / "farm", "* * * * * */6")
        began, shown = time.monotonic(), -1
        print("| turns | minutes | resident MB | scheduler's database MB |", flush=True)
        print("| ---: | ---: | ---: | ---: |", flush=True)
        with running(folder) as process:
            while shown < turns:
                time.sleep(2)
                made = len(TURN.findall(log(folder)))
                if made and made // 10 > shown // 10:
                    shown = made
                    database = folder.state / "prefect" / "prefect.db"
                    print(
                        f"| {made} | {(time.monotonic() - began) / 60:.1f} "
                        f"| {resident_mb(process.pid):.0f} "
                        f"| {database.stat().st_size / 1e6:.1f} |",
                        flush=True,
                    )


if __name__ == "__main__":
    memory(int(sys.argv[1]) if sys.argv[1:] else 200)
