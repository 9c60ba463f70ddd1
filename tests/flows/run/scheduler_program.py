"""What a crash, a sleep and a wrong clock leave at the real scheduler's server, said in JSON.

``python -m tests.flows.run.scheduler_program FOLDER``: a process of its own, because Prefect reads
its settings once, and because the clock is set here.
"""

import asyncio
import json
import logging
import os
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.run import serve

LOG = logging.getLogger("test")


class Server:
    """The server with the farm's deployments, and no runner that would do the work."""

    def __init__(self, client, deployments):
        self.client, self.deployments, self.ids = client, deployments, []
        self.start = datetime.now(UTC)

    async def register(self):
        from prefect.runner import Runner

        runner = Runner(name="test", limit=1)
        self.ids = [await runner.aadd_deployment(one) for one in self.deployments]

    async def put(self, flow=0, **ago):
        """A run of a flow that is due so long from the start."""
        from prefect.states import Scheduled

        at = Scheduled(scheduled_time=self.start + timedelta(**ago))
        return await self.client.create_flow_run_from_deployment(self.ids[flow], state=at)

    async def begin(self, run):
        from prefect.states import Running

        await self.client.set_flow_run_state(run.id, Running(), force=True)

    async def settle(self):
        """Drop the runs that the server schedules by itself; they are none of this test's."""
        from flows.run import scheduler

        await scheduler.drop_scheduled(self.client, late=False)

    async def read(self, **wanted):
        """The runs that a filter finds; an answer holds few, so it must be a narrow one."""
        from prefect.client.schemas.filters import FlowRunFilter

        found = FlowRunFilter.model_validate(wanted)
        return await self.client.read_flow_runs(flow_run_filter=found)

    async def late(self):
        """The ids of the runs that wait although their time has passed."""
        due = {"before_": datetime.now(UTC)}
        waiting = {"type": {"any_": ["SCHEDULED"]}}
        return {run.id for run in await self.read(state=waiting, expected_start_time=due)}


async def after_a_crash(server):
    from flows.run import scheduler

    await server.settle()
    cut_off, far, late = await server.put(), await server.put(days=400), await server.put(hours=-5)
    await server.begin(cut_off)
    await scheduler.tidy(server.client)
    runs = await server.read(id={"any_": [cut_off.id, far.id, late.id]})
    at_work = await server.read(state={"type": {"any_": ["RUNNING", "PENDING"]}})
    return {"left": [run.state.name for run in runs], "at work": len(at_work)}


async def after_a_schedule_shorter_than_its_work(server):
    from flows.run import scheduler

    await server.settle()
    newest = await server.put(seconds=-1)
    for number in range(4):
        await server.put(seconds=-2 - number)
    other_flow = await server.put(flow=1, hours=-1)
    await scheduler.drop_superseded(server.client)
    return await server.late() == {newest.id, other_flow.id}


async def after_a_sleep_and_a_clock_set_back(server):
    """More runs are late than one answer of the server holds; one turn catches up."""
    from flows.run import scheduler

    for number in range(30):
        await server.put(minutes=-number - 1)
    caught_up = []

    async def catch_up():
        caught_up.append(datetime.now(UTC))

    true_time, ahead_s = time.time, [0.0]
    scheduler.time.time = lambda: true_time() + ahead_s[0]
    watching = asyncio.create_task(scheduler.watch(server.client, catch_up, LOG))
    await asyncio.sleep(1.5)
    said = {"caught up without need": len(caught_up)}
    ahead_s[0] += 8 * 3600
    while not caught_up:
        await asyncio.sleep(0.1)
    await asyncio.sleep(1)
    said["caught up after sleep"] = len(caught_up)
    said["late after sleep"] = len(await server.late())
    ahead_s[0] -= 3600
    said["set back"] = await reason_to_restart(watching)
    scheduler.time.time = true_time
    return said


async def after_a_week(server):
    """It begins anew, but not while a run is at work."""
    from flows.run import scheduler

    async def catch_up():
        raise AssertionError("nothing was missed")

    scheduler.RENEW_S = 0.0
    at_work = await server.put(seconds=60)
    await server.begin(at_work)
    watching = asyncio.create_task(scheduler.watch(server.client, catch_up, LOG))
    await asyncio.sleep(2)
    said = {"renewed while at work": watching.done()}
    await server.client.delete_flow_run(at_work.id)
    said["renewed"] = await reason_to_restart(watching)
    return said


async def reason_to_restart(watching):
    from flows.run import scheduler

    try:
        await asyncio.wait_for(watching, 10)
    except scheduler.RestartNeeded as reason:
        return str(reason)


async def look(deployments):
    from prefect.client.orchestration import get_client

    from flows.run import scheduler

    scheduler.LOOK_S = 0.2
    async with get_client() as client:
        server = Server(client, deployments)
        await server.register()
        return {
            "flows": [one.flow_name for one in deployments],
            "after a crash": await after_a_crash(server),
            "newest only": await after_a_schedule_shorter_than_its_work(server),
            **await after_a_sleep_and_a_clock_set_back(server),
            **await after_a_week(server),
        }


def main(folder):
    os.environ["PREFECT_SERVER_API_DEFAULT_LIMIT"] = "20"
    with serve.server(folder):
        from flows.run import prefect_flows

        deployments = prefect_flows.deployments(folder, farm_file.load(folder.farm_toml))
        print(json.dumps(asyncio.run(look(deployments))))


if __name__ == "__main__":
    main(FarmFolder.at(Path(sys.argv[1])))
