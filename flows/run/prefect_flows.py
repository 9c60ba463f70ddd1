"""The scheduled flows and their schedules: thin wrappers of the functions in ``flows/run/steps.py``.

This module imports Prefect (two seconds), so only ``flows/run/serve.py`` and the processes of the
runs import it.
"""

from __future__ import annotations

import logging
from datetime import UTC, datetime
from pathlib import Path

from prefect import Flow, flow
from prefect.deployments.runner import RunnerDeployment
from prefect.runtime import flow_run
from prefect.schedules import Cron
from prefect.types.entrypoint import EntrypointType

from flows.base import schedule
from flows.base.errors import Attention, UserError, of_the_disk
from flows.farm import logs
from flows.farm.folder import FarmFolder
from flows.run import steps
from flows.run.steps import Step
from flows.store import flow_runs
from schemas.farm.farm import Farm


@flow(name="collect", log_prints=False)
def collect(folder: str) -> str:
    """Take what arrived, publish it, and try again what could not be sent or backed up."""
    return _run(folder, "collect", (steps.collect, steps.publish, steps.post, steps.backup_if_due))


@flow(name="turn", log_prints=False)
def turn(folder: str, missed: bool = False) -> str:
    """Collect, derive, publish; after a start or a sleep also whatever else was missed meanwhile."""
    return _run(folder, "derive", steps.MISSED if missed else steps.TURN)


@flow(name="digest", log_prints=False)
def digest(folder: str) -> str:
    """The weekly digest, where the last week's is not made yet; and its mail."""
    return _run(folder, "digest", (steps.digest,))


@flow(name="audit", log_prints=False)
def audit(folder: str) -> str:
    """The nightly audit of what is published."""
    return _run(folder, "audit", (steps.audit,))


@flow(name="backup", log_prints=False)
def backup(folder: str) -> str:
    """The backup that farm.toml names."""
    return _run(folder, "backup", (steps.backup_if_due,))


def deployments(folder: FarmFolder, farm: Farm) -> list[RunnerDeployment]:
    """Return every flow with its schedule of farm.toml; the full turn is the last."""
    times = farm.schedules
    scheduled: list[tuple[Flow[..., str], str]] = [
        (collect, times.collect),
        (digest, times.digest),
        (audit, times.audit),
    ]
    if farm.backup is not None:
        scheduled.append((backup, farm.backup.schedule))
    return [
        RunnerDeployment.from_flow(
            scheduled_flow,
            name="farm",
            schedule=Cron(cron, timezone=farm.place.time_zone),
            parameters={"folder": str(folder.root)},
            entrypoint_type=EntrypointType.MODULE_PATH,
        )
        for scheduled_flow, cron in (*scheduled, (turn, times.derive))
    ]


def _run(root: str, marker: str, work: tuple[Step, ...]) -> str:
    """Do everything outstanding, unless that was done since this run was due.

    So a computer that slept through five runs does the work once. ``marker`` is the step whose
    last start decides whether it was done.
    """
    folder = FarmFolder.at(Path(root))
    log = logs.to_file(folder)
    if _is_done(folder, marker, flow_run.scheduled_start_time):
        return "Skipped: the work was done after this run was due."
    try:
        done = steps.turn(folder, steps=work)
    except (UserError, Attention) as mistake:
        log.warning("%s", mistake)
        return str(mistake)
    except Exception as error:
        message = of_the_disk(error)
        if message is None:
            log.exception("a scheduled run failed")
            raise
        log.warning("%s", message)
        return message
    for run in done:
        level = logging.INFO if run.state == "done" else logging.WARNING
        log.log(level, "%s: %s", run.flow, " ".join([run.summary, *run.notes]))
    return " ".join(f"{run.flow}: {run.summary}" for run in done)


def _is_done(folder: FarmFolder, marker: str, due: datetime) -> bool:
    before = flow_runs.last(folder).get(marker)
    if before is None or before.state == "failed":
        return False
    began = datetime.fromisoformat(before.started_at)
    return began > due and not schedule.is_ahead(began, datetime.now(UTC))
