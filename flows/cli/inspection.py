"""The command that looks over the set-up: inspect.

Imports inside functions are for start-up time.
"""

from __future__ import annotations

from typing import Annotated

import typer

from flows.cli.base import AsJson, Folder, app, farm_folder, hand_json, say


@app.command("inspect")
def inspect(
    folder: Folder,
    as_json: AsJson = False,
    mail: Annotated[
        bool, typer.Option("--mail", help="also ask the mail server (sends nothing)")
    ] = False,
) -> None:
    """Check the setup and list what to fix.

    Paths and permissions, disk, clock and time zone, each layout against the newest file of its
    source, sensors without a column, secrets, mail, backups, versions, the last runs. It changes
    nothing. Exit 1 if something needs attention.

    \b
    Examples:
      checkstrip inspect my_farm
      checkstrip inspect my_farm --mail --json
    """
    from dataclasses import asdict

    from flows.setup.inspection import checks

    found = checks.inspect(farm_folder(folder), mail=mail)
    if as_json:
        hand_json([asdict(one) for one in found])
    else:
        say("\n".join(checks.lines(found)))
    if any(one.severity == "attention" for one in found):
        raise typer.Exit(1)
