"""Resident memory of ``checkstrip run`` over many quick turns, and how it takes a clock that jumps.

    python -m tests.bench.bench_run 200          # memory, until 200 turns were made
    python -m tests.bench.bench_run clock        # needs libfaketime

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

from flows.folder import FarmFolder
from flows.new import new

SCRIPT = "import sys; sys.argv[0] = 'checkstrip'; from flows.cli import main; main()"
FAKETIME = Path("/usr/lib/x86_64-linux-gnu/faketime/libfaketimeMT.so.1")
TURN = re.compile(r"^\S+ \S+ \w+ collect: ", re.MULTILINE)


def farm(root: Path, every: str) -> FarmFolder:
    """A new farm that collects at ``every``."""
    new(root, "metric")
    toml = root / "farm.toml"
    text = toml.read_text(encoding="utf-8").replace('"*/30 * * * *"', f'"{every}"')
    toml.write_text(text, encoding="utf-8")
    return FarmFolder.at(root)


@contextmanager
def running(folder: FarmFolder, **more: str) -> Iterator[subprocess.Popen[bytes]]:
    """``checkstrip run`` in a process group of its own."""
    process = subprocess.Popen(
        [sys.executable, "-c", SCRIPT, "run", str(folder.root)],
        env={**os.environ, **more},
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
                if made and made // 20 > shown // 20:
                    shown = made
                    database = folder.state / "prefect" / "prefect.db"
                    print(
                        f"| {made} | {(time.monotonic() - began) / 60:.1f} "
                        f"| {resident_mb(process.pid):.0f} "
                        f"| {database.stat().st_size / 1e6:.1f} |",
                        flush=True,
                    )


def clock() -> None:
    """A night's sleep, then a clock set back by a day: what the log says of both."""
    with tempfile.TemporaryDirectory() as passing:
        folder = farm(Path(passing) / "farm", "*/5 * * * *")
        stamp = Path(passing) / "clock"
        stamp.write_text("+0", encoding="ascii")
        faked = {
            "LD_PRELOAD": str(FAKETIME),
            "FAKETIME_TIMESTAMP_FILE": str(stamp),
            "FAKETIME_NO_CACHE": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",
        }
        with running(folder, **faked):
            _until(folder, "audit: ", 1)
            stamp.write_text("+10h", encoding="ascii")
            _until(folder, "audit: ", 2)
            stamp.write_text("-14h", encoding="ascii")
            _until(folder, "started", 2)
            _until(folder, "audit: ", 2)
            # After the clock was set back the five-minute schedule goes on.
            before = log(folder).count("collect: ")
            _until(folder, "collect: ", before + 2)
        print(log(folder))


def _until(folder: FarmFolder, words: str, times: int) -> None:
    until = time.monotonic() + 900
    while log(folder).count(words) < times:
        if time.monotonic() > until:
            print(log(folder))
            raise SystemExit(f"'{words}' did not come {times} times")
        time.sleep(1)


if __name__ == "__main__":
    clock() if sys.argv[1:] == ["clock"] else memory(int(sys.argv[1]) if sys.argv[1:] else 200)
