"""Commands that only read: status, sql, tables, checksum.

Imports inside functions are for start-up time.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from flows.base.errors import UserError
from flows.cli.base import Folder, app, farm_folder, hand_over, say


@app.command()
def status(
    folder: Folder,
    as_json: Annotated[bool, typer.Option("--json", help="as one JSON object")] = False,
) -> None:
    """Last heard per station and probe, last runs, what was refused, backups, how much is stored.

    For a monitor: exit 0 all is well, 1 something needs a look (each in a sentence; 'attention' in
    the JSON), 2 there is no such farm folder. It only reads, and may be asked at any time.

    \b
    Examples:
      checkstrip status my_farm
      checkstrip status my_farm --json
    """
    import json

    from flows.trust import status

    found = status.status(farm_folder(folder))
    if as_json:
        hand_over(json.dumps(found.as_dict(), indent=1) + "\n")
    else:
        say("\n".join(status.lines(found)))
    if found.attention:
        raise typer.Exit(1)


@app.command()
def sql(
    folder: Folder,
    text: Annotated[
        str | None, typer.Argument(metavar="QUERY", help="without one, it is read from the input")
    ] = None,
    csv: Annotated[bool, typer.Option("--csv", help="as CSV")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="as a JSON list of records")] = False,
    parquet: Annotated[
        Path | None, typer.Option(metavar="FILE", help="write a Parquet file")
    ] = None,
    rows: Annotated[int, typer.Option(help="rows shown of a table; 0 for all", min=0)] = 40,
) -> None:
    """Ask the published copy with SQL.

    \b
    Examples:
      checkstrip sql my_farm "SHOW TABLES"
      checkstrip sql my_farm "FROM rain_month ORDER BY year, month" --csv
      checkstrip sql my_farm "FROM customary.rain_month" --json
      checkstrip sql my_farm "FROM weather_day" --parquet days.parquet
    """
    from flows.store import query

    if sum((csv, as_json, parquet is not None)) > 1:
        raise UserError("Choose one of --csv, --json and --parquet.")
    if text is None:
        if sys.stdin.isatty():
            raise UserError('Give a query, for example: checkstrip sql FOLDER "SHOW TABLES"')
        text = sys.stdin.read()
    with query.open_published(farm_folder(folder)) as con:
        frame = query.frame(query.ask(con, text))
    if parquet is not None:
        query.to_parquet(frame, parquet)
        say(f"Written to {parquet}.")
    elif csv:
        hand_over(query.to_csv(frame))
    elif as_json:
        hand_over(query.to_json(frame) + "\n")
    else:
        say(query.to_table(frame, rows or frame.height))


@app.command()
def tables(
    folder: Folder,
    table: Annotated[str | None, typer.Argument(metavar="TABLE", help="one table")] = None,
) -> None:
    """The data dictionary: every table, or one with its columns, units and meaning.

    \b
    Examples:
      checkstrip tables my_farm
      checkstrip tables my_farm rain_month
    """
    from flows.store import dictionary, publish, query

    farm = farm_folder(folder)
    if table is not None:
        say(dictionary.detail(dictionary.find(table)))
        return
    rows: dict[str, int] = {}
    if publish.newest(farm) is not None:
        with query.open_published(farm) as con:
            rows = {name: query.count(con, name) for name in query.tables(con)}
    say(dictionary.overview(rows))


@app.command()
def checksum(folder: Folder) -> None:
    """What the published copy says, as one number a table; the last line is the sum of all.

    The same data in another order, in other files or landed twice give the same numbers. It may be
    asked while 'checkstrip run' works. Exit 1 if newer data wait to be published, or if a table
    could not be made: it is named, and not in the sum.

    \b
    Example:
      checkstrip checksum my_farm
    """
    from flows.store import checksum, derive_problems, query
    from flows.trust import newer_data

    farm = farm_folder(folder)
    with query.open_published(farm) as con:
        newer = newer_data.sentences(farm, con)
        say("\n".join([f"Published {newer_data.published_at(farm)}.", *newer]))
        say("\n".join(checksum.lines(con)))
        if newer or derive_problems.not_made(con):
            raise typer.Exit(1)
