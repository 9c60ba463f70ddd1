"""The engine that spreads a round over workers: dask.distributed, on this computer or an operator's own.

Its own workers are processes of this computer that speak TLS with certificates of this round, so that no
other user of the computer can hand them work. A killed worker's task runs again at once.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from flows.base.errors import Attention, UserError
from flows.share.objects import MISSING_EXTRA

if TYPE_CHECKING:
    from distributed import Client

ANSWER_S = 30
NODE_S = 300.0  # for a node to begin a new worker, and to answer
_SETTINGS = {
    "distributed.worker.daemon": False,  # a worker has a child of its own
    "distributed.scheduler.allowed-failures": 10,  # farms are kept apart; what kills a worker is no farm
    "distributed.scheduler.worker-ttl": "60s",  # of a worker that does not answer: it is stopped
    "distributed.comm.timeouts.connect": "30s",
    "distributed.scheduler.http.routes": [],  # its pages are nobody's business
    "distributed.worker.http.routes": [],
    "distributed.admin.log-format": "%(message)s",
}


@dataclass(frozen=True, slots=True)
class Task:
    """A call for a worker of one node; ``name`` is unique."""

    name: str
    node: str
    arguments: tuple[Any, ...]


@contextmanager
def started(workers: int) -> Iterator[Client]:
    """Start so many workers on this computer, for as long as it lasts."""
    dask, distributed = _libraries()
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    with (
        dask.config.set(_SETTINGS),
        distributed.LocalCluster(
            n_workers=workers,
            threads_per_worker=1,
            processes=True,
            memory_limit=None,  # each farm has a limit of its own
            dashboard_address="127.0.0.1:0",
            host="127.0.0.1",
            security=True,
            silence_logs=logging.CRITICAL,
        ) as cluster,
        distributed.Client(cluster, set_as_default=False) as client,
    ):
        yield client


@contextmanager
def joined(address: str) -> Iterator[Client]:
    """Use the workers of a scheduler that runs already, on any number of nodes.

    How it is spoken to (TLS, timeouts) is in dask's own configuration. Raises Attention if it does not
    answer, UserError if its address is none.
    """
    dask, distributed = _libraries()
    comm = distributed.comm
    try:  # before a client is half made, which would complain in its own words
        scheme, place = comm.parse_address(address)
        comm.registry.get_backend(scheme)
        comm.parse_host_port(place)
    except ValueError as error:
        raise UserError(f"{address} is no address of a scheduler ({error}).") from error
    try:
        with dask.config.set({"distributed.comm.timeouts.connect": f"{ANSWER_S}s"}):
            client = distributed.Client(address, timeout=ANSWER_S, set_as_default=False)
    except (OSError, TimeoutError) as error:
        raise Attention(f"The scheduler at {address} does not answer ({error}).") from error
    with client:
        yield client


def nodes(client: Client) -> list[str]:
    """Return the nodes that have a worker; raise Attention if there is none, nor comes one in time."""
    try:
        client.wait_for_workers(1, timeout=NODE_S)
    except TimeoutError:
        raise Attention("No worker of the engine answers, so no farm was worked on.") from None
    return sorted(set(workers(client).values()))


def workers(client: Client) -> dict[str, str]:
    """Return the workers, each with its node."""
    found = client.scheduler_info(n_workers=-1)["workers"]
    return {str(address): str(worker["host"]) for address, worker in found.items()}


def on_node(client: Client, node: str, call: Callable[..., Any], *arguments: object) -> Any:
    """Return what ``call`` returns on a worker of a node; raises what it raises, and TimeoutError."""
    future = client.submit(call, *arguments, pure=False, workers=[node], retries=3)
    return future.result(timeout=NODE_S)


def results(
    client: Client, call: Callable[..., Any], tasks: Sequence[Task], retries: int = 5
) -> Iterator[tuple[Task, Any, str]]:
    """Yield each task as it ends: with its result, or None and why it could not be done."""
    _, distributed = _libraries()
    futures = {
        client.submit(
            call,
            *task.arguments,
            key=task.name,
            pure=False,
            retries=retries,
            workers=[task.node],
        ): task
        for task in tasks
    }
    for future in distributed.as_completed(list(futures), loop=client.loop, raise_errors=False):
        task = futures[future]
        if future.status == "finished":
            yield task, future.result(), ""
        else:
            error = future.exception() if future.status == "error" else None
            yield task, None, str(error or f"the engine gave it up ({future.status})")


def _libraries() -> tuple[Any, Any]:
    try:
        import dask  # noqa: PLC0415 - of the extra "network"
        import distributed  # noqa: PLC0415
    except ImportError:
        raise UserError(MISSING_EXTRA) from None
    return dask, distributed
