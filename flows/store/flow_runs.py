"""When each flow ran, and what came of it: in a small file for ``status``, and in ``flow_run``.

A run that ended waits in a file of its own for whoever next opens the writer's warehouse, since opening it for
one row costs more than many a run.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from flows.base import files
from flows.base.errors import Busy, of_the_disk
from flows.farm import logs
from flows.farm.folder import FarmFolder

if TYPE_CHECKING:
    import duckdb

WAITING = "runs_waiting"  # of the state folder


@dataclass(slots=True)
class Run:
    """One run; the flow fills in ``summary``, and sets ``state`` to attention where it is wanted."""

    flow: str
    started_at: files.Stamp
    ended_at: files.Stamp | None = None
    state: Literal["done", "attention", "failed"] = "done"
    summary: str = ""
    notes: list[str] = field(default_factory=list)


@contextmanager
def recorded(folder: FarmFolder, flow: str) -> Iterator[Run]:
    """Record the work inside as one run of ``flow``, also when it fails.

    A run that finds another at work (Busy) did nothing and is not recorded.
    """
    run = Run(flow, _now())
    try:
        with logs.kept(folder):
            yield run
    except Busy:
        raise
    except BaseException as error:
        run.state = "failed"
        if isinstance(error, KeyboardInterrupt):
            run.summary = "stopped by the user"
        elif isinstance(error, Exception):
            run.summary = of_the_disk(error) or str(error) or type(error).__name__
        else:  # asked to end (the service stops, the computer shuts down)
            run.summary = "stopped before it was done; it is done again at the next start"
        _end(folder, run)
        raise
    _end(folder, run)


def last(folder: FarmFolder) -> dict[str, Run]:
    """Return the last run of each flow."""
    return files.read_state(_path(folder), dict[str, Run]) or {}


def note(folder: FarmFolder, runs: Iterable[Run]) -> None:
    """Put runs into the small file, each as the last of its flow. Raises OSError."""
    known = last(folder) | {run.flow: run for run in runs}
    files.write_text(
        _path(folder), json.dumps({flow: asdict(one) for flow, one in known.items()}, indent=1)
    )


def _path(folder: FarmFolder) -> Path:
    return folder.state / "last_runs.json"


def write_waiting(con: duckdb.DuckDBPyConnection, folder: FarmFolder) -> list[Path]:
    """Put the runs that wait into ``flow_run``; returns their files, which the caller drops once it has committed."""
    waiting = sorted((folder.state / WAITING).glob("*.json"))
    for run in filter(None, (files.read_state(path, Run) for path in waiting)):
        con.execute(
            """
            INSERT INTO flow_run (flow, started_at, ended_at, state, summary)
            SELECT $1, $2, $3, $4, $5
            WHERE NOT EXISTS (FROM flow_run WHERE flow = $1 AND started_at = $2)
            """,
            [run.flow, run.started_at, run.ended_at, run.state, files.readable(run.summary)],
        )
    return waiting


def forget(waiting: Iterable[Path]) -> None:
    """Drop the files of runs that were written; what could not be dropped is not written twice."""
    for path in waiting:
        with suppress(OSError):
            path.unlink(missing_ok=True)


def _end(folder: FarmFolder, run: Run) -> None:
    """Record the end of a run; a failure to write must not hide how the run itself ended."""
    run.ended_at = _now()
    with suppress(OSError):
        note(folder, [run])
        # A file a run: no other process that writes or drops runs at this moment takes it along.
        began = datetime.fromisoformat(run.started_at).strftime("%Y%m%dT%H%M%S%f")
        path = folder.state / WAITING / f"{began}-{run.flow}.json"
        files.write_text(path, json.dumps(asdict(run), indent=1))


def _now() -> str:
    return datetime.now(UTC).isoformat()
