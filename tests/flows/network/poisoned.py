"""The process that forks for each farm, with turns that do harm, by the name of the farm.

A worker of the engine that loads this module (its ``preload``) uses it in place of the real one.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

from flows.network import bucket, children, farm_turn
from flows.network.farm_turn import Request


def turn(wanted: Request) -> tuple[str, str]:
    """Do what the farm's name says."""
    what = wanted.folder.partition("-")[0]
    root = Path(wanted.host) / wanted.folder
    with (root / "ran").open("a") as out:
        out.write(f"{os.getpid()}\n")
    match what:
        case "exits":
            os._exit(3)
        case "crashes":
            os.kill(os.getpid(), signal.SIGSEGV)
        case "loops":
            while True:
                pass
        case "eats":
            eaten = []
            while True:
                eaten.append(bytearray(os.urandom(1 << 20) * 20))
        case "leaps":
            return "done", str(len(bytearray(200 << 30)))
        case "orphans":
            program = "import sys, time; time.sleep(60)"
            child = subprocess.Popen([sys.executable, "-c", program])
            (root / "orphan").write_text(str(child.pid))
        case "kills":
            os.kill(os.getppid(), signal.SIGKILL)
        case "talks":
            print("} not JSON {" * 1000, flush=True)
            os.write(1, b"nor this\n")
        case "reads":
            names = sorted(name for name in os.environ if name.endswith("TOKEN"))
            farm_turn.confine(farm_turn.Bounds.of(root), wanted.memory_mb)
            mine = {name: os.environ.get(name) for name in names}
            return "done", f"{names} {mine}"
        case "slow":
            time.sleep(0.4)
    return "done", f"{what} did its turn"


if __name__ == "__main__":
    farm_turn.turn = turn
    children.load = lambda: None  # of no use for these turns
    children.main()
else:
    bucket.PROGRAM = "tests.flows.network.poisoned"
