"""What is between us and the scheduler: start-up, catching up, a sleep, a clock that was set.

However many runs were missed, one turn catches up: each flow does everything outstanding.
"""

from __future__ import annotations

import asyncio
import logging
import sys
import time
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime
from typing import TYPE_CHECKING
from uuid import UUID

if TYPE_CHECKING:
    from prefect.client.orchestration import PrefectClient
    from prefect.client.schemas.filters import FlowRunFilterState
    from prefect.client.schemas.objects import FlowRun, StateType
    from prefect.deployments.runner import RunnerDeployment

# How often the runner asks what is due.
ASK_S = 5.0
# How often the clock is looked at, and what tells that it jumped.
LOOK_S, ASLEEP_S, BACK_S = 30.0, 300.0, 60.0
# Whatever the libraries keep of each run: after a week, between two runs, memory begins anew. Not
# on Windows, where nothing can take the place of a running program.
RENEW_S, CAN_RENEW = 7 * 86_400.0, sys.platform != "win32"


class Again(Exception):
    """The scheduler cannot go on; a fresh one can. Told in a sentence for the log."""


async def run(deployments: list[RunnerDeployment], log: logging.Logger) -> None:
    """Catch up on what was missed, then run what is due, until cancelled or the runner gives up.

    Raises an exception group: with Again where the clock was set back, else with what the runner
    or its server could not cope with.
    """
    from prefect.client.orchestration import get_client  # noqa: PLC0415
    from prefect.runner import Runner  # noqa: PLC0415

    # No concurrency limit of the deployment: a killed run would hold its place for ever.
    runner = Runner(name="checkstrip", limit=1, pause_on_shutdown=False, query_seconds=ASK_S)
    async with get_client() as client:
        await tidy(client)
        turn = deployments[-1]
        turn_id = await runner.aadd_deployment(turn)
        whole = {**turn.parameters, "missed": True}

        async def catch_up() -> None:
            await client.create_flow_run_from_deployment(turn_id, parameters=whole)

        # What was missed while nothing ran is caught up by one full turn now, before all else.
        await catch_up()
        for deployment in deployments[:-1]:
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
    raises Again then.
    """
    import httpx  # noqa: PLC0415

    before, owed, began = time.time(), False, time.monotonic()
    while True:
        await asyncio.sleep(LOOK_S)
        gap_s, before = time.time() - before - LOOK_S, time.time()
        if gap_s < -BACK_S:
            raise Again(f"the clock was set back by {-gap_s / 60:,.0f} minutes.")
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
            if CAN_RENEW and time.monotonic() - began > RENEW_S and not await _at_work(client):
                raise Again("it has run for a week, and begins with fresh memory.")
        except httpx.HTTPError as error:
            # Its database may be locked for a moment; where it stays so the runner gives up.
            log.warning("the scheduler's server did not answer (%s)", type(error).__name__)


async def tidy(client: PrefectClient) -> None:
    """Runs of a process that is gone are over; what it had scheduled is scheduled anew."""
    from prefect.client.schemas.filters import FlowRunFilter  # noqa: PLC0415
    from prefect.client.schemas.objects import State, StateType  # noqa: PLC0415
    from prefect.states import Crashed  # noqa: PLC0415

    left = _of(StateType.RUNNING, StateType.PENDING, StateType.CANCELLING)
    for run in await client.read_flow_runs(flow_run_filter=FlowRunFilter(state=left)):
        crashed: State[None] = Crashed(message="Its process is gone.")
        await client.set_flow_run_state(run.id, crashed, force=True)
    await drop_scheduled(client, late=False)


async def drop_scheduled(client: PrefectClient, *, late: bool) -> None:
    """Delete the runs that wait for their time, or only those that are late."""
    while waiting := await _waiting(client, late=late):  # an answer holds two hundred at most
        for run in waiting:
            await client.delete_flow_run(run.id)


async def _at_work(client: PrefectClient) -> bool:
    from prefect.client.schemas.filters import FlowRunFilter  # noqa: PLC0415
    from prefect.client.schemas.objects import StateType  # noqa: PLC0415

    now = FlowRunFilter(state=_of(StateType.RUNNING, StateType.PENDING))
    return bool(await client.read_flow_runs(flow_run_filter=now, limit=1))


async def drop_superseded(client: PrefectClient) -> None:
    """Of several late runs of one flow only the newest is worth running: it does everything.

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


async def _waiting(client: PrefectClient, *, late: bool) -> list[FlowRun]:
    from prefect.client.schemas.filters import (  # noqa: PLC0415
        FlowRunFilter,
        FlowRunFilterExpectedStartTime,
    )
    from prefect.client.schemas.objects import StateType  # noqa: PLC0415

    now = FlowRunFilterExpectedStartTime(before_=datetime.now(UTC))  # type: ignore[arg-type]
    which = FlowRunFilter(state=_of(StateType.SCHEDULED), expected_start_time=now if late else None)
    return await client.read_flow_runs(flow_run_filter=which)


def _of(*types: StateType) -> FlowRunFilterState:
    from prefect.client.schemas.filters import (  # noqa: PLC0415
        FlowRunFilterState,
        FlowRunFilterStateType,
    )

    return FlowRunFilterState(type=FlowRunFilterStateType(any_=list(types)))
