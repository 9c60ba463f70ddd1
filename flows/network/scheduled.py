"""The round as one flow of Prefect: started on the host's schedule and recorded, one run a round.

This module imports Prefect, which reads its settings then: ``flows/network/serve.py`` sets them first.
"""

from __future__ import annotations

import socket
from datetime import datetime
from pathlib import Path

from prefect import flow
from prefect.deployments.runner import RunnerDeployment
from prefect.runtime import flow_run
from prefect.schedules import Cron
from prefect.types.entrypoint import EntrypointType

from flows.network import start
from flows.network.hosts import Host


@flow(name="checkstrip-network-round", log_prints=False)
def network_round(
    folder: str, workers: int | None = None, scheduler: str | None = None, missed: bool = False
) -> str:
    """Do one round over the hosted farms, unless one began after this run was due."""
    host = Host.at(Path(folder))
    due = flow_run.scheduled_start_time
    if not missed and any(datetime.fromisoformat(t.started_at) > due for t in host.last_round()):
        return "Skipped: a round began after this run was due."
    done = start.round_over(host, workers, scheduler)
    return "\n".join([str(done), *done.problems()])


def deployment(host: Host, workers: int | None, scheduler: str | None) -> RunnerDeployment:
    """Return the flow with the host's schedule."""
    times = host.hosting().round
    return RunnerDeployment.from_flow(
        network_round,
        name=socket.gethostname(),
        schedule=Cron(times.schedule, timezone=times.time_zone),
        parameters={"folder": str(host.root), "workers": workers, "scheduler": scheduler},
        entrypoint_type=EntrypointType.MODULE_PATH,
    )
