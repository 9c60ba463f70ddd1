"""Catch up after a start, a sleep or a changed clock, and run what is due in between.

However many runs were missed, one turn catches up: each flow does everything outstanding.

This module imports Prefect, which reads its settings then: ``flows/run/serve.py`` sets them first.
"""

from __future__ import annotations

import asyncio
import logging
import sys
import time
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime
from uuid import UUID

import httpx
from prefect.client.orchestration import PrefectClient, get_client
from prefect.client.schemas.filters import FlowRunFilter
from prefect.client.schemas.objects import FlowRun, State, StateType
from prefect.deployments.runner import RunnerDeployment
from prefect.runner import Runner
from prefect.states import Crashed

# How often the runner asks what is due.
ASK_S = 5.0
# How often the clock is looked at, and what tells that it jumped.
LOOK_S, ASLEEP_S, BACK_S = 30.0, 300.0, 60.0
# Whatever the libraries keep of each run: after a week, between two runs, memory begins anew. Not
# on Windows, where nothing can take the place of a running program.
RENEW_S, CAN_RENEW = 7 * 86_400.0, sys.platform != "win32"


class RestartNeeded(Exception):
    """The scheduler cannot go on, but a fresh one can; the message is a sentence for the log."""


async def run(deployments: list[RunnerDeployment], log: logging.Logger) -> None:
    """Catch up on what was missed, then run what is due, until cancelled or the runner gives up.

    The last of ``deployments`` is the full turn, which catches up. Raises an exception group: with
    RestartNeeded if the clock was set back, else with what the runner or its server could not cope with.
    """
    # No concurrency limit of the deployment: a killed run would hold its place for ever.
    runner = Runner(name="checkstrip", limit=1, pause_on_shutdown=False, query_seconds=ASK_S)
    *others, turn = deployments
    async with get_client() as client:
        await tidy(client)
        turn_id = await runner.aadd_deployment(turn)
        whole = {**turn.parameters, "missed": True}

        async def catch_up() -> None:
            await client.create_flow_run_from_deployment(turn_id, parameters=whole)

        # What was missed while nothing ran is caught up by one full turn now, before all else.
        await catch_up()
        for deployment in others:
            await runner.aadd_deployment(deployment)
        async with asyncio.TaskGroup() as group:
            watching = group.create_task(watch(client, catch_up, log))
            await runner.start()
            watching.cancel()


async def watch(
    client: PrefectClient, catch_up: Callable[[], Awaitable[None]], log: logging.Logger
) -> None:
    """Notice by the clock that the computer slept, or that its clock was set.

    After a sleep (or a clock set ahead) the runs that were due meanwhile are dropped and one turn
    catches up. A clock that was set back would leave the scheduler waiting for times long past;
    raises RestartNeeded then.
    """
    before, owed, began = time.time(), False, time.monotonic()
    while True:
        await asyncio.sleep(LOOK_S)
        gap_s, before = time.time() - before - LOOK_S, time.time()
        if gap_s < -BACK_S:
            raise RestartNeeded(f"the clock was set back by {-gap_s / 60:,.0f} minutes.")
        if gap_s > ASLEEP_S:
            log.info("asleep, or the clock was set ahead, for %.0f minutes", gap_s / 60)
            owed = True
        try:
            if owed:
                await drop_scheduled(client, late=True)
                await catch_up()
                owed = False
            else:
                await drop_superseded(client)
            if CAN_RENEW and time.monotonic() - began > RENEW_S and not await _running(client):
                raise RestartNeeded("it has run for a week, and begins with fresh memory.")
        except httpx.HTTPError as error:
            # Its database may be locked for a moment; if it stays locked the runner gives up.
            log.warning("the scheduler's server did not answer (%s)", type(error).__name__)


async def tidy(client: PrefectClient) -> None:
    """Set the runs of a process that is gone to crashed, and drop what it had scheduled."""
    for run in await _running(client):
        crashed: State[None] = Crashed(message="Its process is gone.")
        await client.set_flow_run_state(run.id, crashed, force=True)
    await drop_scheduled(client, late=False)


async def drop_scheduled(client: PrefectClient, *, late: bool) -> None:
    """Delete the runs that wait for their time, or only those that are late."""
    while waiting := await _waiting(client, late=late):  # an answer holds two hundred at most
        for run in waiting:
            await client.delete_flow_run(run.id)


async def drop_superseded(client: PrefectClient) -> None:
    """Keep only the newest of several late runs of one flow: it does everything.

    So a schedule that is shorter than its work piles nothing up.
    """
    newest: dict[UUID | None, FlowRun] = {}
    for run in await _waiting(client, late=True):
        other = newest.setdefault(run.deployment_id, run)
        if other is not run:
            old, newest[run.deployment_id] = sorted((run, other), key=_due)
            await client.delete_flow_run(old.id)


def _due(run: FlowRun) -> datetime:
    return run.expected_start_time or datetime.now(UTC)


async def _running(client: PrefectClient) -> list[FlowRun]:
    """Runs that are at work, or that a process now gone left as if they were."""
    at_work = {"any_": [StateType.RUNNING, StateType.PENDING, StateType.CANCELLING]}
    return await _read(client, {"state": {"type": at_work}})


async def _waiting(client: PrefectClient, *, late: bool) -> list[FlowRun]:
    """Runs that wait for their time, or only those whose time has passed."""
    due = {"expected_start_time": {"before_": datetime.now(UTC)}} if late else {}
    return await _read(client, {"state": {"type": {"any_": [StateType.SCHEDULED]}}, **due})


async def _read(client: PrefectClient, wanted: dict[str, object]) -> list[FlowRun]:
    return await client.read_flow_runs(flow_run_filter=FlowRunFilter.model_validate(wanted))
