"""The commands for many farms: network init, join, status, sql, report, leave.

Imports inside functions are for start-up time.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from flows.cli.answering import (
    AsCsv,
    AsRecords,
    Form,
    Query,
    RowsShown,
    ToParquet,
    answer,
    query_of,
)
from flows.cli.base import AsJson, app, farm_folder, hand_json, say

network = typer.Typer(
    help=(
        "Pool the shared tables of many farms.\n\nFarms keep their records. Each night a farm that joined "
        "gives the network the tables that its [share] names; the network answers over all of them. "
        "It needs: pip install 'checkstrip[network]'"
    ),
    short_help="Pool the shared tables of many farms",
    no_args_is_help=True,
    rich_markup_mode=None,
)
app.add_typer(network, name="network")

Where = Annotated[
    str,
    typer.Argument(
        metavar="NETWORK", help="its address, a folder or s3://bucket/prefix; or a farm that joined"
    ),
]
FarmFolder = Annotated[Path, typer.Argument(metavar="FARM", help="the farm folder")]


@network.command()
def init(
    address: Annotated[
        str, typer.Argument(metavar="ADDRESS", help="a folder, or s3://bucket/prefix")
    ],
    name: Annotated[
        str, typer.Option(metavar="NAME", help="what the network is called")
    ] = "network",
    grid: Annotated[
        float, typer.Option(metavar="DEGREES", help="places of named farms are rounded to")
    ] = 0.5,
    as_json: AsJson = False,
) -> None:
    """Make a network.

    It prints the network's secret, once: every farm that joins needs it in its environment as
    CHECKSTRIP_NETWORK_SECRET. Names of fields are hashed with it. Keys of an S3 store are read from
    the environment (AWS_ACCESS_KEY_ID, AWS_SECRET_ACCESS_KEY, AWS_ENDPOINT_URL). Let readers open
    snapshot.json and snapshot/ only. Exit 1 if the store does not answer.

    \b
    Examples:
      checkstrip network init /data/clay_network --name "Clay network"
      checkstrip network init s3://clay/network --grid 0.25
    """
    from flows.share import network_file, objects

    made, secret = network_file.init(objects.open_at(address, make=True), name, grid)
    if as_json:
        hand_json({"id": made.id, "name": made.name, "secret": secret})
        return
    say(
        f"Made the network {made.name} at {address}.\n"
        f"Its secret, shown this once: {secret}\n"
        "Each farm sets it as CHECKSTRIP_NETWORK_SECRET, then: checkstrip network join FARM "
        f"--address {address}"
    )


@network.command()
def join(
    farm: FarmFolder,
    address: Annotated[str, typer.Option(metavar="ADDRESS", help="where the network is")],
    share: Annotated[
        Literal["pooled", "named"],
        typer.Option(
            help="pooled: counts in answers only; named: readers see the farm and its rows"
        ),
    ] = "pooled",
    money: Annotated[bool, typer.Option("--money", help="share prices, costs and net too")] = False,
) -> None:
    """Let a farm share its results.

    Writes [share] and [network] into farm.toml. Readings, notes and whatever is not in the list of
    shared tables (DEVELOPERS.md, Many farms) never leave the farm. Exit 1 if the network does not
    answer or its secret (CHECKSTRIP_NETWORK_SECRET) is missing or wrong.

    \b
    Examples:
      checkstrip network join my_farm --address s3://clay/network
      checkstrip network join my_farm --address /data/clay_network --share named --money
    """
    from flows.network import membership

    done = membership.join(farm_folder(farm), address, share, money=money)
    later = (
        "The first run shares its tables." if done.published is None else "Its tables are shared."
    )
    say(f"The farm is {done.farm} in the network {done.network}. {later}")


@network.command()
def status(where: Where, as_json: AsJson = False) -> None:
    """Show a network's farms and its snapshot.

    For whoever runs the network. Exit 1 if a farm's tables could not be used, the last turn of a
    hosted farm failed or needs attention (since when, and what it said), or nobody made a snapshot
    for three days: a sentence each.

    \b
    Example:
      checkstrip network status s3://clay/network
    """
    from flows.network import membership
    from flows.network import status as looked

    found = looked.status(membership.at(where))
    if as_json:
        hand_json(found.as_dict())
    else:
        say("\n".join(looked.lines(found)))
    if found.attention:
        raise typer.Exit(1)


@network.command()
def sql(
    where: Where,
    text: Query = None,
    csv: AsCsv = False,
    as_json: AsRecords = False,
    parquet: ToParquet = None,
    rows: RowsShown = 40,
) -> None:
    """Query a network's newest snapshot.

    It has network_pooled (answers over all farms), and the rows of farms that are named. A query
    only reads. Exit 1 if the store does not answer.

    \b
    Examples:
      checkstrip network sql s3://clay/network "SHOW TABLES"
      checkstrip network sql my_farm "FROM network_pooled WHERE grouping = 'crop'" --csv
    """
    from flows.network import membership, reading

    form = Form(csv, as_json, parquet, rows)
    asked = query_of(text, form, 'checkstrip network sql NETWORK "SHOW TABLES"')
    answer(reading.open_snapshot(membership.at(where)), asked, form)


@network.command()
def report(
    where: Where,
    to: Annotated[Path, typer.Option(metavar="FILE", help="where the page goes")] = Path(
        "network.html"
    ),
    units: Annotated[
        Literal["metric", "us", "canada"], typer.Option(help="units of the reader")
    ] = "metric",
) -> None:
    """Write one page of what the farms say together.

    Exit 1 if the store does not answer.

    \b
    Example:
      checkstrip network report s3://clay/network --to clay.html --units us
    """
    from flows.network import membership
    from flows.network import report as page

    say(str(page.write(membership.at(where), to, units)))


@network.command()
def leave(
    farm: Annotated[str, typer.Argument(metavar="FARM", help="the farm folder, or the farm's id")],
    where: Annotated[
        str | None,
        typer.Option("--network", metavar="ADDRESS", help="with an id: the network it leaves"),
    ] = None,
) -> None:
    """Take back what a farm shared.

    Its tables are deleted, and so is every snapshot that holds them: at once, or if this computer
    may not, in the network's next round, within 7 days. Whoever opens such a snapshot is told that
    it has expired. Exit 1 if the store does not answer.

    \b
    Examples:
      checkstrip network leave my_farm
      checkstrip network leave 0a8f1d52-6a0e-4c8e-9d3f-2b7c5e1f9a40 --network s3://clay/network
    """
    from flows.network import membership

    if where is not None:
        gone = membership.remove(membership.at(where), farm)
    else:
        gone = membership.leave(farm_folder(Path(farm)))
    rest = (
        "No snapshot holds it any more."
        if gone
        else "Snapshots that hold it are deleted by the network's next round, within 7 days."
    )
    say(f"The farm has left, and its tables are deleted. {rest}")
