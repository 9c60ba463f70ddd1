"""The scheduled flows: thin wrappers of the plain functions in ``flows/steps.py``.

This module imports Prefect (two seconds), so only ``flows/serve.py`` and the processes of the runs
import it.
"""

from __future__ import annotations

import logging
from datetime import datetime
from pathlib import Path

from prefect import flow
from prefect.runtime import flow_run

from flows import logs, runs, steps
from flows.errors import Busy
from flows.folder import FarmFolder
from flows.steps import Step


@flow(name="collect", log_prints=False)
def collect(folder: str) -> str:
    """Take what arrived, and publish it."""
    return _do(folder, "collect", (steps.collect, steps.publish, steps.post))


@flow(name="turn", log_prints=False)
def turn(folder: str, missed: bool = False) -> str:
    """Collect, derive, publish; after a start also the digest that was missed meanwhile."""
    return _do(folder, "derive", (*steps.TURN, steps.digest) if missed else steps.TURN)


@flow(name="digest", log_prints=False)
def digest(folder: str) -> str:
    """The weekly digest, where the last week's is not made yet; and its mail."""
    return _do(folder, "digest", (steps.digest,))


@flow(name="audit", log_prints=False)
def audit(folder: str) -> str:
    """The nightly audit of what is published."""
    return _do(folder, "audit", (steps.audit,))


def _do(root: str, marks: str, work: tuple[Step, ...]) -> str:
    """Do everything outstanding, unless that was done since this run was due.

    So a computer that slept through five runs does the work once. ``marks`` is the step whose
    last start tells.
    """
    folder = FarmFolder.at(Path(root))
    log = logs.to_file(folder)
    due: datetime = flow_run.scheduled_start_time
    before = runs.last(folder).get(marks)
    if before and before.state != "failed" and datetime.fromisoformat(before.started_at) > due:
        return "Passed over: the work was done after this run was due."
    try:
        done = steps.turn(folder, steps=work)
    except Busy as busy:
        log.warning("%s", busy)
        return str(busy)
    except Exception:
        log.exception("a scheduled run failed")
        raise
    for run in done:
        log.log(
            logging.INFO if run.state == "done" else logging.WARNING,
            "%s: %s",
            run.flow,
            " ".join([run.summary, *run.notes]),
        )
    return " ".join(f"{run.flow}: {run.summary}" for run in done)
