"""Commands for setting up: try, sniff."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from flows.cli.base import Folder, app, farm_folder


@app.command("try")
def try_(
    folder: Folder,
    setup: Annotated[
        Path | None, typer.Option(metavar="FILE", help="another farm.toml than the folder's own")
    ] = None,
) -> None:
    """What a changed farm.toml would do, by source: rows that would land, change or be refused.

    Nothing is changed: it is tried on a copy that is thrown away. HTTP sources are not asked.
    Exit 1 where a delivery would be refused whole.

    \b
    Examples:
      checkstrip try my_farm
      checkstrip try my_farm --setup changed.toml
    """
    from flows.progress import bar
    from flows.try_out import try_out

    with bar() as tick:
        outcomes = try_out(farm_folder(folder), setup, tick)
    if not outcomes:
        typer.echo("There is nothing to read yet: no file waits, and none is in the archive.")
    for outcome in outcomes:
        typer.echo("\n".join(outcome.sentences))
    if any(outcome.refused_whole for outcome in outcomes):
        raise typer.Exit(1)
