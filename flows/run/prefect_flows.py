"""The scheduled flows: thin wrappers of the plain functions in ``flows/run/steps.py``.

This module imports Prefect (two seconds), so only ``flows/run/serve.py`` and the processes of the runs
import it.
"""

from __future__ import annotations

import logging
from datetime import UTC, datetime
from pathlib import Path

from prefect import flow
from prefect.runtime import flow_run

from flows.base import schedule
from flows.base.errors import Attention, UserError, of_the_disk
from flows.farm import logs
from flows.farm.folder import FarmFolder
from flows.run import steps
from flows.run.steps import Step
from flows.store import flow_runs


@flow(name="collect", log_prints=False)
def collect(folder: str) -> str:
    """Take what arrived, publish it, and try again what could not be sent or backed up."""
    work = (steps.collect, steps.publish, steps.post, steps.backup_if_due)
    return _do(folder, "collect", work)


@flow(name="turn", log_prints=False)
def turn(folder: str, missed: bool = False) -> str:
    """Collect, derive, publish; after a start or a sleep also whatever else was missed meanwhile."""
    return _do(folder, "derive", steps.MISSED if missed else steps.TURN)


@flow(name="digest", log_prints=False)
def digest(folder: str) -> str:
    """The weekly digest, where the last week's is not made yet; and its mail."""
    return _do(folder, "digest", (steps.digest,))


@flow(name="audit", log_prints=False)
def audit(folder: str) -> str:
    """The nightly audit of what is published."""
    return _do(folder, "audit", (steps.audit,))


@flow(name="backup", log_prints=False)
def backup(folder: str) -> str:
    """The backup that farm.toml names."""
    return _do(folder, "backup", (steps.backup_if_due,))


def _do(root: str, marks: str, work: tuple[Step, ...]) -> str:
    """Do everything outstanding, unless that was done since this run was due.

    So a computer that slept through five runs does the work once. ``marks`` is the step whose
    last start tells.
    """
    folder = FarmFolder.at(Path(root))
    log = logs.to_file(folder)
    if _is_done(folder, marks, flow_run.scheduled_start_time):
        return "Passed over: the work was done after this run was due."
    try:
        done = steps.turn(folder, steps=work)
    except (UserError, Attention) as mistake:
        log.warning("%s", mistake)
        return str(mistake)
    except Exception as error:
        told = of_the_disk(error)
        if told is None:
            log.exception("a scheduled run failed")
            raise
        log.warning("%s", told)
        return told
    for run in done:
        log.log(
            logging.INFO if run.state == "done" else logging.WARNING,
            "%s: %s",
            run.flow,
            " ".join([run.summary, *run.notes]),
        )
    return " ".join(f"{run.flow}: {run.summary}" for run in done)


def _is_done(folder: FarmFolder, marks: str, due: datetime) -> bool:
    before = flow_runs.last(folder).get(marks)
    if before is None or before.state == "failed":
        return False
    began = datetime.fromisoformat(before.started_at)
    return began > due and not schedule.is_ahead(began, datetime.now(UTC))
