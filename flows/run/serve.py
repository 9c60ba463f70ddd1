"""``checkstrip run``: the scheduler, its server and its runner in one process that stays up.

The server of Prefect runs in a thread and listens on 127.0.0.1 only, with a secret of this run.
Its database holds only when to run what: it may be lost at any time, because every run does
everything that is outstanding. So if the scheduler cannot be trusted any more (the clock was set
back, its disk is full, its database is locked), the program begins again, and does what was missed
once.

Prefect reads its settings when it is imported, so it, and the modules that import it, are imported
inside functions here, after ``settings``; that also keeps two seconds off a mistake in farm.toml.
"""

from __future__ import annotations

import asyncio
import base64
import json
import logging
import os
import secrets
import shutil
import signal
import socket
import sys
import threading
import time
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager, redirect_stderr
from types import FrameType
from typing import Any

from flows.base import lock
from flows.base.errors import Attention
from flows.farm import farm_file, logs
from flows.farm.folder import FarmFolder

START_LIMIT_S = 120.0
# A run of the scheduler leaves 16 kB behind; a fortnight of them is enough to look into a fault.
_KEEP_S = 14 * 86_400
# Before beginning again, so that what is broken for long does not keep the computer busy.
_PAUSE_S = 60.0
# Room that the scheduler needs to begin.
_ROOM = 16 << 20

# A web server as Python's own convention has it (ASGI 3).
_Message = Any
_Receive = Callable[[], Awaitable[_Message]]
_Send = Callable[[_Message], Awaitable[None]]
_Server = Callable[[_Message, _Receive, _Send], Awaitable[None]]


def serve(folder: FarmFolder, say: Callable[[str], None]) -> None:
    """Stay up and run what is due until interrupted.

    Raises Busy where this farm folder is served already, UserError where farm.toml has a mistake,
    Attention where the scheduler does not start.
    """
    farm = farm_file.load(folder.farm_toml)
    why = None
    with (
        lock.hold(folder.run_lock_file, "checkstrip run"),
        _quick_to_stop(),
        server(folder) as port,
    ):
        from flows.run import prefect_flows, scheduler  # noqa: PLC0415

        log = logs.to_file(folder)
        deployments = prefect_flows.deployments(folder, farm)
        say(
            f"Running for {folder.root}. Collects at '{farm.schedules.collect}', makes all "
            f"tables at '{farm.schedules.derive}' ({farm.place.time_zone}). "
            f"Log: {folder.logs}. Ctrl-C stops."
        )
        log.info("started, server on 127.0.0.1:%s", port)
        signal.signal(signal.SIGINT, signal.default_int_handler)
        try:
            # A run that Ctrl-C meets while it loads its libraries ends with a traceback of its own.
            with redirect_stderr(logs.Said(log)):
                asyncio.run(scheduler.run(deployments, log))
        except* Exception as trouble:
            # The runner gives up after some minutes of a server that does not answer.
            why = trouble.exceptions[0]
        finally:
            log.info("stopped")
    if why is not None:
        _begin_again(folder, log, say, why)


def _begin_again(
    folder: FarmFolder, log: logging.Logger, say: Callable[[str], None], why: Exception
) -> None:
    """Put a fresh process in this one's place: nothing of the old scheduler is left in memory.

    If the disk is full it waits until there is room, for as long as that takes.
    Windows cannot do that; there the program ends, and the task that started it starts it again.
    """
    from flows.run.scheduler import RestartNeeded  # noqa: PLC0415

    message = f"The scheduler had to stop: {why or type(why).__name__}"
    log.warning("%s", message, exc_info=None if isinstance(why, RestartNeeded) else why)
    if sys.platform == "win32":
        raise Attention(f"{message} Start it again: checkstrip run FOLDER")
    say(f"{message} It begins again in {_PAUSE_S:.0f} seconds.")
    time.sleep(_PAUSE_S)
    while shutil.disk_usage(folder.root).free < _ROOM:
        time.sleep(_PAUSE_S)
    sys.stdout.flush()
    os.execv(sys.executable, sys.orig_argv)  # noqa: S606 - our own command line


def settings(folder: FarmFolder, port: int) -> dict[str, str]:
    """Return what Prefect must know before it is imported, here and in the processes of the runs.

    The secret is a new one each time.
    """
    home = folder.state / "prefect"
    home.mkdir(parents=True, exist_ok=True)
    secret = f"checkstrip:{secrets.token_urlsafe(24)}"
    return {
        "DO_NOT_TRACK": "1",
        "PREFECT_HOME": str(home),
        "PREFECT_API_URL": f"http://127.0.0.1:{port}/api",
        "PREFECT_API_AUTH_STRING": secret,
        "PREFECT_SERVER_API_AUTH_STRING": secret,
        # Its clients send the secret with a websocket's first line too.
        "PREFECT_CLIENT_CUSTOM_HEADERS": json.dumps({"Authorization": _header(secret)}),
        "PREFECT_SERVER_CORS_ALLOWED_ORIGINS": f"http://127.0.0.1:{port}",
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


def _header(secret: str) -> str:
    """Return the value of ``Authorization`` that gives a user and a password (RFC 7617)."""
    return f"Basic {base64.b64encode(secret.encode()).decode()}"


def _answering_only(api: _Server, secret: str) -> _Server:
    """Return the server as it answers only requests that bring the secret.

    Prefect's own would show its documentation and its health to anyone, and accept a websocket
    before it asks for the secret. A web page of another origin cannot send the header at all.
    """
    known = _header(secret).encode()

    async def guarded(scope: _Message, receive: _Receive, send: _Send) -> None:
        if scope["type"] == "lifespan" or secrets.compare_digest(
            dict(scope["headers"]).get(b"authorization", b""), known
        ):
            await api(scope, receive, send)
        elif scope["type"] == "websocket":
            await receive()
            await send({"type": "websocket.close", "code": 1008})
        else:
            await send({"type": "http.response.start", "status": 401, "headers": []})
            await send({"type": "http.response.body"})

    return guarded


@contextmanager
def server(folder: FarmFolder) -> Iterator[int]:
    """Run Prefect's server in a thread until the end; yields its port, which only this computer reaches.

    It answers from then on. Raises Attention if it does not start.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as listener:
        listener.bind(("127.0.0.1", 0))
        port = listener.getsockname()[1]
        own = settings(folder, port)
        os.environ.update(own)
        import uvicorn  # noqa: PLC0415
        from prefect.server.api.server import create_app  # noqa: PLC0415

        api = uvicorn.Server(
            uvicorn.Config(
                _answering_only(create_app(final=True), own["PREFECT_API_AUTH_STRING"]),
                log_level="error",
                timeout_graceful_shutdown=2,
                access_log=False,
            )
        )
        thread = threading.Thread(
            target=api.run, kwargs={"sockets": [listener]}, name="scheduler's server", daemon=True
        )
        thread.start()
        try:
            until = time.monotonic() + START_LIMIT_S
            # Its word comes after its database is ready and its services run.
            while not api.started:
                if time.monotonic() > until or not thread.is_alive():
                    raise Attention(
                        "The scheduler did not start. If it happens again, delete "
                        f"{folder.state / 'prefect' / 'prefect.db'} (it holds only when to run "
                        "what, and is rebuilt) and start again."
                    )
                time.sleep(0.2)
            yield port
        finally:
            api.should_exit = True
            thread.join(timeout=15)
