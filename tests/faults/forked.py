"""Work done in forked children of a process that has imported everything and started nothing.

A child begins within milliseconds, can be killed at any moment, and its parent stays as it was.
The parent must never use polars or DuckDB itself: their threads do not survive a fork.
"""

from __future__ import annotations

import importlib
import os
import pickle
import signal
import sys
import tempfile
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

CAN = hasattr(os, "fork") and sys.platform.startswith("linux")
# Enough of the derived tables to see that derive is whole; ``FEW = None`` makes all.
FEW = ("weather_used_day", "soil_quality_day", "soil_water_day", "rain_day")
MODULES = """
flows.cli
flows.run.steps
flows.trust.audit.audit
flows.trust.backup.rebuild
flows.trust.status
flows.pages.digest.alerts
flows.pages.digest.write
flows.pages.mail.send
flows.intake.collect
flows.intake.readers.delimited
flows.intake.readers.fixed_width
flows.intake.readers.json_records
flows.intake.readers.packed
flows.intake.readers.workbook
flows.derive.derive
flows.store.checksum
flows.store.publish
matplotlib.pyplot
openpyxl
pandera.polars
pyarrow
"""
FAULT = 70  # exit code of a child whose work raised


def warm() -> None:
    """Import all that a step imports, so that no child has to."""
    for name in MODULES.split():
        importlib.import_module(name)
    from flows.base import units
    from flows.derive import making
    from schemas import generated
    from schemas.catalogue import TABLES
    from transforms import order

    for name in (*order.DAILY, *order.DERIVED):
        making.module(name)
    for table in TABLES.values():
        generated.check(table)
    units.line("degF", "degC")


@dataclass(slots=True)
class Ended:
    """How a child ended: its exit code or the signal that killed it, what it gave and said."""

    code: int
    killed: bool
    value: object
    said: str


class Child:
    """One child at work."""

    def __init__(self, work: Callable[[], object]) -> None:
        self._out = tempfile.TemporaryFile()  # noqa: SIM115 - shared with the child
        self._told = tempfile.TemporaryFile()  # noqa: SIM115
        self.pid = os.fork()
        if self.pid == 0:
            self._be(work)

    def _be(self, work: Callable[[], object]) -> None:
        code = FAULT
        try:
            os.dup2(self._told.fileno(), 1)
            os.dup2(self._told.fileno(), 2)
            sys.stdout = os.fdopen(1, "w", buffering=1, closefd=False)
            sys.stderr = os.fdopen(2, "w", buffering=1, closefd=False)
            value = work()
            self._out.write(pickle.dumps(value))
            self._out.flush()
            code = 0
        except SystemExit as end:
            code = end.code if isinstance(end.code, int) else 0 if end.code is None else 1
        except BaseException:
            traceback.print_exc()
        finally:
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(code)

    def kill(self) -> None:
        """Kill −9."""
        os.kill(self.pid, signal.SIGKILL)

    def wait(self) -> Ended:
        """How it ended."""
        _, status = os.waitpid(self.pid, 0)
        self._out.seek(0)
        self._told.seek(0)
        packed = self._out.read()
        told = self._told.read().decode(errors="replace")
        self._out.close()
        self._told.close()
        code = os.waitstatus_to_exitcode(status)
        return Ended(code, code == -signal.SIGKILL, pickle.loads(packed) if packed else None, told)


def run(work: Callable[[], object]) -> object:
    """What ``work`` gives, done in a child; raises RuntimeError with what it said where it fails."""
    ended = Child(work).wait()
    if ended.code:
        raise RuntimeError(f"exit {ended.code}\n{ended.said}")
    return ended.value


def few() -> None:
    """Make only some of the derived tables (in a child: it is for good)."""
    from transforms import order

    order.DERIVED = FEW


def copied(folder: Path, target: Path) -> Path:
    """A copy of a farm folder, times of files kept."""
    import shutil

    shutil.rmtree(target, ignore_errors=True)
    shutil.copytree(folder, target, symlinks=True)
    return target
