"""``checkstrip network run --serve``: rounds on the host's schedule, by Prefect.

Its own server runs as that of ``checkstrip run`` does (``flows/run/serve.py``). An operator who has a
Prefect server gives its address: the deployment is registered there, and this process does the runs that
fall due. Prefect is imported inside functions, after its settings are made.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable

from flows.base import lock
from flows.base.errors import Attention
from flows.farm import logs
from flows.farm.folder import FarmFolder
from flows.network.hosts import Host
from flows.run import serve as own


def serve(
    host: Host,
    say: Callable[[str], None],
    workers: int | None = None,
    scheduler: str | None = None,
    prefect: str | None = None,
) -> None:
    """Stay up and do rounds until interrupted.

    Raises Busy if this folder is served already, UserError for a mistake in hosting.toml, Attention if
    the scheduler does not start, or the operator's server does not answer.
    """
    times = host.hosting().round
    place = FarmFolder(host.root)  # for its state folder
    told = f"Rounds over {host.root} at '{times.schedule}' ({times.time_zone}). Ctrl-C stops."
    with lock.hold(place.run_lock_file, "checkstrip network run --serve"):
        if prefect is not None:
            os.environ["PREFECT_API_URL"] = prefect
            say(f"{told} Registered at {prefect}.")
            _at_operators(host, workers, scheduler, prefect)
            return
        with own.server(place):
            from flows.network import scheduled  # noqa: PLC0415
            from flows.run import scheduler as runner  # noqa: PLC0415

            log = logs.to_file(place)
            say(told)
            asyncio.run(runner.run([scheduled.deployment(host, workers, scheduler)], log))


def _at_operators(host: Host, workers: int | None, scheduler: str | None, address: str) -> None:
    """Register the deployment at a server that runs already, and do its runs one at a time."""
    import httpx  # noqa: PLC0415
    from prefect.runner import Runner  # noqa: PLC0415

    from flows.network import scheduled  # noqa: PLC0415
    from flows.run.scheduler import ASK_S  # noqa: PLC0415

    async def run() -> None:
        runner = Runner(name="checkstrip-network", limit=1, query_seconds=ASK_S)
        await runner.aadd_deployment(scheduled.deployment(host, workers, scheduler))
        await runner.start()

    try:
        asyncio.run(run())
    except* (httpx.HTTPError, RuntimeError, OSError) as trouble:
        first = trouble.exceptions[0]
        raise Attention(f"The Prefect server at {address} does not answer ({first}).") from first
