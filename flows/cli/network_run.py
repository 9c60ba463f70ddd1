"""The command that works on many farms: network run.

Imports inside functions are for start-up time.
"""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import Annotated

import typer

from flows.cli.base import AsJson, hand_json, say
from flows.cli.network import network


@network.command("run")
def run(
    where: Annotated[
        str,
        typer.Argument(
            metavar="HOST", help="folder with hosting.toml and farm folders; or a network's address"
        ),
    ],
    serve: Annotated[bool, typer.Option("--serve", help="keep running on its schedule")] = False,
    workers: Annotated[
        int | None, typer.Option(min=1, max=1024, help="workers on this computer (its cores)")
    ] = None,
    scheduler: Annotated[
        str | None, typer.Option(help="address of a dask scheduler that runs already")
    ] = None,
    prefect: Annotated[
        str | None, typer.Option(help="with --serve: address of a Prefect server that runs already")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Work on all hosted farms, and make the network's snapshot.

    Every farm below HOST has its turn in a process of its own, confined to its folder, with a limit of
    time and of memory. Without farms, or with a network's address, it only makes the snapshot of what
    farms elsewhere share.
    Needs the extra checkstrip[network]; farms are hosted on Linux and macOS. Exit 1 if a farm needs
    attention, failed or may not run, or the snapshot was not made.

    \b
    hosting.toml, which may be empty; nothing in a farm's folder can change it:
      network = "s3://clay/network"        # where farms share, the same in their farm.toml
      servers = ["logger-gate.local"]      # local servers that farms may ask all the same
      [round]
      schedule = "*/30 * * * *"            # of --serve
      time_zone = "America/Winnipeg"
      bucket = 50                          # farms that a worker takes at a time
      [limits]
      time_s = 900                         # of one farm in one round
      memory_mb = 3072
      [secrets.oak]                        # by the name of the farm's folder
      TOKEN = "OAK_TOKEN"                  # its env:TOKEN is OAK_TOKEN of this environment

    \b
    Examples:
      checkstrip network run /srv/farms
      checkstrip network run /srv/farms --serve --workers 8
      checkstrip network run /srv/farms --scheduler tls://10.0.0.1:8786
      checkstrip network run s3://clay/network
    """
    from dataclasses import asdict

    from flows.farm.bounds import NAME
    from flows.network.hosts import Host

    hosts = serve or (Path(where).is_dir() and not (Path(where) / "network.json").is_file())
    host = Host.at(Path(where)) if hosts or (Path(where) / NAME).is_file() else None
    if serve and host is not None:
        from flows.network import serve as serving

        with suppress(KeyboardInterrupt):
            serving.serve(host, say, workers, scheduler, prefect)
        say("Stopped.")
        return
    from flows.network import rounds, start

    done = start.round_over(host, workers, scheduler) if host else rounds.snapshot_at(where)
    if as_json:
        hand_json([asdict(turn) for turn in done.rows])
    else:
        say("\n  ".join([str(done), *done.problems()]))
    if done.wants_attention:
        raise typer.Exit(1)
