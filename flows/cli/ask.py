"""Commands that only read: status, sql, tables, checksum.

Imports inside functions are for start-up time.
"""

from __future__ import annotations

from typing import Annotated

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
from flows.cli.base import AsJson, Folder, app, farm_folder, hand_json, say


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
    text: Query = None,
    csv: AsCsv = False,
    as_json: AsRecords = False,
    parquet: ToParquet = None,
    rows: RowsShown = 40,
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
    from flows.store import query

    form = Form(csv, as_json, parquet, rows)
    asked = query_of(text, form, 'checkstrip sql FOLDER "SHOW TABLES"')
    answer(query.open_published(farm_folder(folder)), asked, form)


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
