"""The most memory that this process has held."""

import sys
from pathlib import Path


def peak_mb() -> int:
    """In MB. Linux and macOS only.

    On Linux it is asked of ``/proc``: the maximum that ``getrusage`` tells outlives the start of a
    new program, so a child of a large process would answer with its parent's.
    """
    if sys.platform == "linux":
        lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
        told = next(line for line in lines if line.startswith("VmHWM"))
        return int(told.split()[1]) // 1024
    import resource  # not on Windows

    unit = 1024 * 1024 if sys.platform == "darwin" else 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // unit
