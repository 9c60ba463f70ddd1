"""The long versions, and the short ones of the suite: python -m tests.faults.long WHAT [--n N].

It prints a table for the section Faults of tests/bench/FIGURES.md; exit 1 where a promise is broken.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import tempfile
import time
from importlib import import_module
from pathlib import Path

from tests.faults import forked
from tests.faults.table import Clock, Found

# Name, its module, and what N is unless said.
WHAT = {
    "kills": ("kills", 1000),
    "failing": ("failing", 0),
    "unsynced": ("unsynced", 0),
    "full": ("full", 100),
    "partly": ("partly", 0),
    "machine": ("machine", 200),
    "fuzz": ("fuzz", 10_000),
    "year": ("year", 365),
    "rest": ("rest", 0),
}


def main() -> None:
    """Run what is asked for."""
    asked = argparse.ArgumentParser(prog="python -m tests.faults.long", description=__doc__)
    asked.add_argument("what", choices=sorted(WHAT))
    asked.add_argument("--n", type=int, default=None, help="kills, cases, days; 0 is all there are")
    asked.add_argument("--only", default="", help="steps or formats whose name has this")
    asked.add_argument("--first", type=int, default=0, help="number of the first case (fuzz)")
    asked.add_argument("--json", action="store_true", help="for the suite")
    asked.add_argument("--minutes", type=float, default=None, help="stop after that long")
    given = asked.parse_args()
    Clock.limit(given.minutes)
    module, usual = WHAT[given.what]
    if not forked.CAN:
        found = Found(given.what, "", skipped="it needs fork and /proc, as Linux has them")
    else:
        found = _run(module, usual if given.n is None else given.n, given.only, given.first)
    print(json.dumps(found.as_dict()) if given.json else found.markdown())
    sys.exit(bool(found.wrong))


def _run(module: str, n: int, only: str, first: int) -> Found:
    forked.warm()
    root = Path(tempfile.mkdtemp(prefix="faults-"))
    began = time.monotonic()

    def say(told: str) -> None:
        print(f"{time.monotonic() - began:6.0f} s  {told}", file=sys.stderr, flush=True)

    try:
        experiment = import_module(f"tests.faults.{module}")
        if first:
            experiment.FIRST = first
        found: Found = experiment.run(n, root, say, only)
    finally:
        shutil.rmtree(root, ignore_errors=True)
    say(f"done, {len(found.wrong)} wrong")
    return found


if __name__ == "__main__":
    main()
