"""Against the real scheduler's server: what a crash, a sleep and a wrong clock leave in its database."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from flows.farm.folder import FarmFolder
from flows.setup.new import new

SCRIPT = """
import asyncio, json, logging, os, sys, time
from datetime import datetime, timedelta, UTC
from pathlib import Path
from flows import farm_file, scheduler, serve
from flows.folder import FarmFolder

folder = FarmFolder.at(Path(sys.argv[1]))
farm = farm_file.load(folder.farm_toml)
said = {}

async def work():
    from prefect.client.orchestration import get_client
    from prefect.client.schemas.filters import FlowRunFilter, FlowRunFilterExpectedStartTime
    from prefect.client.schemas.objects import StateType
    from prefect.runner import Runner
    from prefect.states import Running, Scheduled
    log = logging.getLogger("test")
    async with get_client() as client:
        runner = Runner(name="test", limit=1)
        deployments = serve._deployments(folder, farm)
        said["flows"] = [d.flow_name for d in deployments]
        ids = [await runner.aadd_deployment(d) for d in deployments]
        async def put(**ago):
            at = datetime.now(UTC) + timedelta(**ago)
            return await client.create_flow_run_from_deployment(ids[0], state=Scheduled(scheduled_time=at))
        async def settle():
            # The server schedules runs of its own; they are none of this test's.
            await scheduler.drop_scheduled(client, late=False)
        await settle()
        run = await put(hours=0)
        await client.set_flow_run_state(run.id, Running(), force=True)
        await put(days=400)
        await put(hours=-5)
        await scheduler.tidy(client)
        runs = await client.read_flow_runs()
        said["after tidy"] = {
            "crashed": sum(r.state.type is StateType.CRASHED for r in runs),
            "running": sum(r.state.type is StateType.RUNNING for r in runs),
            "in 400 days": sum(bool(r.expected_start_time and r.expected_start_time > datetime.now(UTC) + timedelta(days=300)) for r in runs),
            "late": sum(bool(r.state.type is StateType.SCHEDULED and r.expected_start_time < datetime.now(UTC) - timedelta(hours=1)) for r in runs),
        }
        # A schedule shorter than its work: of the late runs of a flow the newest stays.
        await settle()
        stays = await put(seconds=-1)
        for n in range(4):
            await put(seconds=-2 - n)
        one = await client.create_flow_run_from_deployment(ids[1], state=Scheduled(scheduled_time=datetime.now(UTC) - timedelta(hours=1)))
        await scheduler.drop_superseded(client)
        late = FlowRunFilter(state=scheduler._of(StateType.SCHEDULED),
            expected_start_time=FlowRunFilterExpectedStartTime(before_=datetime.now(UTC)))
        left = {r.id for r in await client.read_flow_runs(flow_run_filter=late)}
        said["superseded"] = left == {stays.id, one.id}
        # A sleep of eight hours: more runs are late than one answer holds; one turn catches up.
        for n in range(30):
            await put(minutes=-n - 1)
        caught = []
        async def catch_up():
            caught.append(datetime.now(UTC))
            if len(caught) == 2:
                raise asyncio.CancelledError
        real, jump = time.time, [0.0]
        scheduler.time.time = lambda: real() + jump[0]
        scheduler.LOOK_S = 0.2
        watching = asyncio.create_task(scheduler.watch(client, catch_up, log))
        await asyncio.sleep(1.5)
        said["caught up without need"] = len(caught)
        jump[0] += 8 * 3600
        while not caught:
            await asyncio.sleep(0.1)
        await asyncio.sleep(1)
        said["caught up after sleep"] = len(caught)
        late = FlowRunFilter(state=scheduler._of(StateType.SCHEDULED),
            expected_start_time=FlowRunFilterExpectedStartTime(before_=datetime.now(UTC)))
        said["late after sleep"] = len(await client.read_flow_runs(flow_run_filter=late))
        jump[0] -= 3600
        try:
            await asyncio.wait_for(watching, 10)
        except scheduler.Again as again:
            said["set back"] = str(again)
        scheduler.time.time = real
        # After a week it begins anew, but not while a run is at work.
        scheduler.RENEW_S = 0.0
        busy = await put(seconds=60)
        await client.set_flow_run_state(busy.id, Running(), force=True)
        watching = asyncio.create_task(scheduler.watch(client, catch_up, log))
        await asyncio.sleep(2)
        said["renewed while at work"] = watching.done()
        await client.delete_flow_run(busy.id)
        try:
            await asyncio.wait_for(watching, 10)
        except scheduler.Again as again:
            said["renewed"] = str(again)

with serve._listening() as listener:
    os.environ.update(serve._settings(folder, listener.getsockname()[1]))
    os.environ["PREFECT_SERVER_API_DEFAULT_LIMIT"] = "20"
    with serve._api(listener, folder):
        asyncio.run(work())
print(json.dumps(said))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="a server in a thread is stopped by POSIX ways")
def test_what_was_left_is_over_and_what_was_missed_is_caught_up_once(tmp_path: Path) -> None:
    root = tmp_path / "farm"
    new(root, "metric")
    toml = root / "farm.toml"
    toml.write_text(toml.read_text(encoding="utf-8") + "\n[backup]\nto = '../away'\n")
    ran = subprocess.run(
        [sys.executable, "-c", SCRIPT, str(FarmFolder.at(root).root)],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    assert ran.returncode == 0, ran.stderr[-3000:]
    said = json.loads(ran.stdout.splitlines()[-1])
    assert said["flows"] == ["collect", "digest", "audit", "backup", "turn"]
    assert said["after tidy"] == {"crashed": 1, "running": 0, "in 400 days": 0, "late": 0}
    assert said["superseded"]
    assert said["caught up without need"] == 0
    assert said["caught up after sleep"] == 1
    assert said["late after sleep"] == 0
    assert said["set back"] == "the clock was set back by 60 minutes."
    assert said["renewed while at work"] is False
    assert "run for a week" in said["renewed"]
