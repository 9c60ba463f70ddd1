"""Commands that only read: status, sql, tables, checksum.

Imports inside functions are for start-up time.
"""

from __future__ import annotations

import shutil
import sys
from pathlib import Path
from typing import Annotated

import typer

from flows.base.errors import UserError
from flows.cli.base import AsJson, Folder, app, farm_folder, hand_json, hand_over, say


@app.command()
def status(
    folder: Folder,
    as_json: AsJson = False,
) -> None:
    """Show what is new, rejected or overdue.

    When each instrument was last heard, the last runs, rejected rows and files, backups, disk. It
    only reads, and may be asked at any time. Exit 1 if anything needs attention: a sentence each
    ('attention' in the JSON).

    \b
    Examples:
      checkstrip status my_farm
      checkstrip status my_farm --json
    """
    from flows.trust import status

    found = status.status(farm_folder(folder))
    if as_json:
        hand_json(found.as_dict())
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
    """Query the published copy.

    A query only reads: one statement that begins with SELECT, FROM, WITH, VALUES, PIVOT, DESCRIBE,
    SHOW, SUMMARIZE or EXPLAIN. A table is for reading: numbers are rounded, times are by the farm's
    clock, empty columns and those that do not fit are left out and named below. --csv, --json and
    --parquet have every digit, every column and UTC. In --csv, text that a spreadsheet would run as a formula gets a '
    before it.

    \b
    Examples:
      checkstrip sql my_farm "SHOW TABLES"
      checkstrip sql my_farm "FROM rain_month ORDER BY year, month" --csv
      checkstrip sql my_farm "FROM customary.rain_month" --json
      checkstrip sql my_farm "FROM weather_day" --parquet days.parquet
    """
    from flows.store import answer_table, query

    if sum((csv, as_json, parquet is not None)) > 1:
        raise UserError("Choose one of --csv, --json and --parquet.")
    if text is None:
        if sys.stdin.isatty():
            raise UserError('Give a query, for example: checkstrip sql FOLDER "SHOW TABLES"')
        text = sys.stdin.read()
    with query.open_published(farm_folder(folder)) as con:
        found = query.ask(con, text)
        if not (csv or as_json or parquet):
            width = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
            say(answer_table.to_table(found, rows, query.time_zone(con), width))
            return
        from flows.store import answer

        frame = answer.frame(found)
    if parquet is not None:
        answer.to_parquet(frame, parquet)
        say(f"Written to {parquet}.")
    elif csv:
        hand_over(answer.to_csv(frame))
    else:
        hand_over(answer.to_json(frame) + "\n")


@app.command()
def tables(
    folder: Folder,
    table: Annotated[str | None, typer.Argument(metavar="TABLE", help="one table")] = None,
    as_json: AsJson = False,
) -> None:
    """List tables, columns and units.

    \b
    Examples:
      checkstrip tables my_farm
      checkstrip tables my_farm rain_month
    """
    from dataclasses import asdict

    from flows.store import dictionary, published, query
    from schemas.catalogue import TABLES

    farm = farm_folder(folder)
    if table is not None:
        found = dictionary.find(table)
        if as_json:
            hand_json(asdict(found))
        else:
            say(dictionary.detail(found))
        return
    rows: dict[str, int] = {}
    if published.newest(farm) is not None:
        with query.open_published(farm) as con:
            rows = query.counts(con)
    if as_json:
        hand_json(
            [
                {"table": one.name, "row": one.row, "rows": rows.get(one.name)}
                for one in TABLES.values()
            ]
        )
    else:
        say(dictionary.overview(rows))


@app.command()
def checksum(folder: Folder, as_json: AsJson = False) -> None:
    """Print a checksum of every table.

    The last line is the checksum of all. The same data in another order, in other files or landed
    twice give the same checksums. It may be asked while 'checkstrip run' works. Exit 1 if newer
    data wait to be published, or if a table could not be made: it is named, and not in the total.

    \b
    Example:
      checkstrip checksum my_farm
    """
    from flows.store import checksum, derive_problems, query
    from flows.trust import newer_data

    farm = farm_folder(folder)
    with query.open_published(farm) as con:
        newer = newer_data.sentences(farm, con)
        missing = derive_problems.not_made(con)
        published = newer_data.published_at(farm)
        if as_json:
            about = {"published": published, "newer_data": newer, "not_made": missing}
            hand_json(about | checksum.as_dict(con))
        else:
            say("\n".join([f"Published {published}.", *newer, *checksum.lines(con)]))
        if newer or missing:
            raise typer.Exit(1)
