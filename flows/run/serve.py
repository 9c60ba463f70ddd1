"""``checkstrip run``: the scheduler, its server and its runner in one process that stays up.

The server of Prefect runs in a thread and listens on 127.0.0.1 only, with a secret of this run.
Its database holds only when to run what: it may be lost at any time, because every run does
everything that is outstanding. So whenever the scheduler cannot be trusted any more (the clock was set back, its disk is
full, its database is locked), the program simply begins again, and does what was missed once.
"""

from __future__ import annotations

import asyncio
import logging
import os
import secrets
import shutil
import signal
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

from flows.base import lock
from flows.base.errors import Attention
from flows.farm import farm_file, logs
from flows.farm.folder import FarmFolder
from flows.run import scheduler

if TYPE_CHECKING:
    from prefect import Flow
    from prefect.deployments.runner import RunnerDeployment

    from schemas.farm.farm import Farm

START_LIMIT_S = 120.0
# A run of the scheduler leaves 16 kB behind; a fortnight of them is enough to look into a fault.
_KEEP_S = 14 * 86_400
# Before beginning again, so that what is broken for long does not keep the computer busy.
_PAUSE_S = 60.0
# Room that the scheduler needs to begin.
_ROOM = 16 << 20


def serve(folder: FarmFolder, say: Callable[[str], None]) -> None:
    """Stay up and run what is due until interrupted.

    Raises Busy where this farm folder is served already, UserError where farm.toml has a mistake,
    Attention where the scheduler does not start.
    """
    farm = farm_file.load(folder.farm_toml)
    why = None
    with lock.hold(folder.run_lock_file, "checkstrip run"), _listening() as listener:
        port = listener.getsockname()[1]
        os.environ.update(_settings(folder, port))
        log = logs.to_file(folder)
        with _quick_to_stop(), _api(listener, folder):
            deployments = _deployments(folder, farm)
            say(
                f"Running for {folder.root}. Collects at '{farm.schedules.collect}', makes all "
                f"tables at '{farm.schedules.derive}' ({farm.place.time_zone}). "
                f"Log: {folder.logs}. Ctrl-C stops."
            )
            log.info("started, server on 127.0.0.1:%s", port)
            signal.signal(signal.SIGINT, signal.default_int_handler)
            try:
                asyncio.run(scheduler.run(deployments, log))
            except* Exception as trouble:
                # The runner gives up after some minutes of a server that does not answer.
                why = trouble.exceptions[0]
            finally:
                log.info("stopped")
    if why is not None:
        _begin_again(folder, log, say, why)


def _deployments(folder: FarmFolder, farm: Farm) -> list[RunnerDeployment]:
    """Every flow with its schedule; the whole turn last."""
    from flows.run import prefect_flows  # noqa: PLC0415

    times = farm.schedules
    scheduled = [
        (prefect_flows.collect, times.collect),
        (prefect_flows.digest, times.digest),
        (prefect_flows.audit, times.audit),
    ]
    if farm.backup is not None:
        scheduled.append((prefect_flows.backup, farm.backup.schedule))
    scheduled.append((prefect_flows.turn, times.derive))
    given = {"folder": str(folder.root)}
    return [_deployment(flow, cron, farm.place.time_zone, given) for flow, cron in scheduled]


def _begin_again(
    folder: FarmFolder, log: logging.Logger, say: Callable[[str], None], why: Exception
) -> None:
    """Put a fresh process in this one's place: nothing of the old scheduler is left in memory.

    Where the disk is full it waits until there is room, for as long as that takes.
    Windows cannot do that; there the program ends, and the task that started it starts it again.
    """
    told = f"The scheduler had to stop: {why or type(why).__name__}"
    log.warning("%s", told, exc_info=None if isinstance(why, scheduler.Again) else why)
    if sys.platform == "win32":
        raise Attention(f"{told} Start it again: checkstrip run FOLDER")
    say(f"{told} It begins again in {_PAUSE_S:.0f} seconds.")
    time.sleep(_PAUSE_S)
    while shutil.disk_usage(folder.root).free < _ROOM:
        time.sleep(_PAUSE_S)
    sys.stdout.flush()
    os.execv(sys.executable, sys.orig_argv)  # noqa: S606 - our own command line


def _settings(folder: FarmFolder, port: int) -> dict[str, str]:
    """What Prefect must know before it is imported, here and in the processes of the runs."""
    home = folder.state / "prefect"
    home.mkdir(parents=True, exist_ok=True)
    secret = f"checkstrip:{secrets.token_urlsafe(24)}"
    return {
        "DO_NOT_TRACK": "1",
        "PREFECT_HOME": str(home),
        "PREFECT_API_URL": f"http://127.0.0.1:{port}/api",
        "PREFECT_API_AUTH_STRING": secret,
        "PREFECT_SERVER_API_AUTH_STRING": secret,
        "PREFECT_API_DATABASE_CONNECTION_URL": f"sqlite+aiosqlite:///{(home / 'prefect.db').as_posix()}",
        "PREFECT_SERVER_EPHEMERAL_ENABLED": "false",
        "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
        "PREFECT_SERVER_UI_ENABLED": "false",
        "PREFECT_SERVER_SERVICES_LATE_RUNS_ENABLED": "false",
        "PREFECT_SERVER_SERVICES_DB_VACUUM_ENABLED": "events,flow_runs",
        "PREFECT_SERVER_SERVICES_DB_VACUUM_RETENTION_PERIOD": str(_KEEP_S),
        "PREFECT_SERVER_EVENTS_RETENTION_PERIOD": f"P{_KEEP_S // 86_400}D",
        "PREFECT_LOGGING_TO_API_ENABLED": "false",
        "PREFECT_LOGGING_LEVEL": "CRITICAL",
        "PREFECT_LOGGING_SERVER_LEVEL": "CRITICAL",
        "PREFECT_CLI_COLORS": "false",
    }


@contextmanager
def _quick_to_stop() -> Iterator[None]:
    """Ctrl-C while libraries load may surface as any error of theirs; here it is a Ctrl-C again."""
    stopped = threading.Event()
    before = signal.getsignal(signal.SIGINT)

    def stop(number: int, frame: FrameType | None) -> None:
        stopped.set()
        # asyncio.run ends its tasks in order only where it finds Python's own handler.
        signal.signal(signal.SIGINT, before)
        signal.default_int_handler(number, frame)

    signal.signal(signal.SIGINT, stop)
    try:
        yield
    except Exception as error:
        if stopped.is_set():
            raise KeyboardInterrupt from error
        raise
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def _listening() -> Iterator[socket.socket]:
    """A socket on a free port that only this computer reaches."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as listener:
        listener.bind(("127.0.0.1", 0))
        yield listener


@contextmanager
def _api(listener: socket.socket, folder: FarmFolder) -> Iterator[None]:
    """Prefect's server in a thread, healthy; a database that it cannot use is put aside once."""
    import uvicorn  # noqa: PLC0415
    from prefect.server.api.server import create_app  # noqa: PLC0415

    database = folder.state / "prefect" / "prefect.db"
    config = uvicorn.Config(
        create_app(final=True), log_level="error", timeout_graceful_shutdown=2, access_log=False
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(
        target=server.run, kwargs={"sockets": [listener]}, name="scheduler's server", daemon=True
    )
    thread.start()
    try:
        _await_health(thread, database)
        yield
    finally:
        server.should_exit = True
        thread.join(timeout=15)


def _await_health(thread: threading.Thread, database: Path) -> None:
    import httpx  # noqa: PLC0415

    url = f"{os.environ['PREFECT_API_URL']}/health"
    until = time.monotonic() + START_LIMIT_S
    while time.monotonic() < until and thread.is_alive():
        try:
            if httpx.get(url, timeout=2.0, trust_env=False).status_code == 200:
                return
        except httpx.HTTPError:
            pass
        time.sleep(0.2)
    raise Attention(
        f"The scheduler did not start. If it happens again, delete {database} (it holds only when "
        "to run what, and is made anew) and start again."
    )


def _deployment(
    flow: Flow[..., str], cron: str, zone: str, parameters: dict[str, str]
) -> RunnerDeployment:
    from prefect.deployments.runner import RunnerDeployment  # noqa: PLC0415
    from prefect.schedules import Cron  # noqa: PLC0415
    from prefect.types.entrypoint import EntrypointType  # noqa: PLC0415

    return RunnerDeployment.from_flow(
        flow,
        name="farm",
        schedule=Cron(cron, timezone=zone),
        parameters=parameters,
        entrypoint_type=EntrypointType.MODULE_PATH,
    )
