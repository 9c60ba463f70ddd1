"""The turn of one hosted farm, in a process of its own: confined first, then everything that is due.

The farm's own secrets are all that is left of the environment while the turn runs. What the host needs
for the network's store comes back only after it, for the farm's shared tables.
"""

from __future__ import annotations

import os
import sys
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import psutil

from flows.base.errors import Attention, Busy, UserError, of_the_disk
from flows.farm import farm_file
from flows.farm.bounds import Bounds
from flows.farm.folder import FarmFolder
from flows.network import lease
from flows.run import quiet, steps
from flows.share import objects, push
from flows.share.pointer import Refused
from flows.store.flow_runs import Run

if sys.platform != "win32":
    import resource

# What a child keeps of the environment beside its own secrets.
KEPT = (
    "PATH",
    "HOME",
    "LANG",
    "LC_ALL",
    "TZ",
    "TMPDIR",
    "SSL_CERT_FILE",
    "SSL_CERT_DIR",
    "PYTHONPATH",
)
AGAIN_S = 0.5  # between two tries while another process is at work on the farm
_LEAP = 4  # times the limit: address space is reserved far beyond what is held
_OF_THE_STORE = ("CHECKSTRIP_NETWORK_", "AWS_", "AZURE_", "GOOGLE_")


@dataclass(frozen=True, slots=True)
class Request:
    """One farm of one round: where it is, and who asks."""

    host: str
    folder: str
    farm: str | None
    round: str
    worker: str
    time_s: float
    memory_mb: float
    fence: int | None


def turn(wanted: Request) -> tuple[str, str]:
    """Do everything that is due on a farm; return the state and a sentence of its row."""
    until = time.monotonic() + wanted.time_s
    try:
        bounds = Bounds.of(Path(wanted.host) / wanted.folder)
        hosts_own = confine(bounds, wanted.memory_mb)
        folder = FarmFolder.at(bounds.root)
        if folder.root != bounds.root:
            raise UserError(f"{bounds.root} is a link. A hosted farm is a folder of its own.")
        was_quiet, done = _unless_busy(folder, until)
        if not was_quiet and bounds.hosting and bounds.hosting.network:
            os.environ.update(hosts_own)
            done += _shared(folder, bounds.hosting.network, wanted.fence)
    except (Busy, Refused) as error:
        return "failed", str(error)
    except UserError as error:
        return "refused", str(error)
    except Attention as error:
        return "attention", str(error)
    except Exception as error:
        return "failed", of_the_disk(error) or f"{type(error).__name__}: {error}"
    if wrong := [f"{run.flow}: {run.summary}" for run in done if run.state != "done"]:
        return "attention", " ".join(wrong)
    return ("quiet" if was_quiet else "done"), " ".join(run.summary for run in done)


def confine(bounds: Bounds, memory_mb: float) -> dict[str, str]:
    """Leave this process the farm's own secrets of the environment, and its share of memory.

    Returns what the host needs to reach the network's store. Raises ValueError if the farm is not a hosted one.
    """
    if bounds.hosting is None:
        raise ValueError(f"{bounds.root} is not hosted")
    own = bounds.hosting.secrets.get(bounds.root.name, {}).values()
    given = {name: os.environ[name] for name in (*KEPT, *own) if name in os.environ}
    network = {k: v for k, v in os.environ.items() if k.startswith(_OF_THE_STORE)}
    os.environ.clear()
    os.environ.update(given)
    if sys.platform == "linux":  # elsewhere the system does not hold processes to it
        most = psutil.Process().memory_info().vms + int(_LEAP * memory_mb * 1e6)
        resource.setrlimit(resource.RLIMIT_AS, (most, most))
    return network


def _unless_busy(folder: FarmFolder, until: float) -> tuple[bool, list[Run]]:
    """Do the turn; return whether it was quiet, and its runs.

    Waits while another process is at work, such as one whose worker is gone.
    """
    while True:
        try:
            again = quiet.again(folder)
            return (True, again) if again is not None else (False, steps.hosted_turn(folder))
        except Busy:
            if time.monotonic() + AGAIN_S > until:
                raise
        time.sleep(AGAIN_S)


def _shared(folder: FarmFolder, address: str, fence: int | None) -> list[Run]:
    """Give the farm's shared tables to the network if that is due, under the lease of the round."""
    run = Run("share", datetime.now(UTC).isoformat())
    store = objects.open_at(address)

    def check() -> None:
        held = lease.holder(store, lease.ROUND)
        if fence is None or held is None or held.fence != fence:
            raise lease.Lost("The round has passed to another worker. Nothing was shared under it.")

    if not push.is_due(folder, farm_file.load(folder.farm_toml), datetime.now(UTC)):
        return []
    push.attempt(folder, run, store, fence=fence, check=check)
    return [run]
