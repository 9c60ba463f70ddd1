"""The command that tells where a number came from: explain.

Imports inside functions are for start-up time.
"""

from __future__ import annotations

from typing import Annotated

import typer

from flows.cli.base import AsJson, Folder, app, farm_folder, hand_json, say


@app.command()
def explain(
    folder: Folder,
    table: Annotated[str, typer.Argument(metavar="TABLE", help="the table that holds the number")],
    key: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="KEY...", help="what names the row, in the key's order or NAME=VALUE"
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Show where a number came from.

    Coverage, method, inputs, the files behind it, and what was left out.

    \b
    Examples:
      checkstrip explain my_farm rain_month "North station" 2025 6
      checkstrip explain my_farm water_use_season field=North season=2025 strip=treated
    """
    from flows.store import query
    from flows.trust.explain import explain
    from flows.trust.explain.file_lines import FileLines

    farm = farm_folder(folder)
    with query.open_published(farm) as con:
        text = explain.explain(con, table, key or [], FileLines.of(farm, con))
    if as_json:
        hand_json({"table": table, "key": key or [], "lines": text.splitlines()})
    else:
        say(text)
