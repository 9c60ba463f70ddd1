"""Commands to begin with: demo, new."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from flows.cli.base import app


@app.command()
def new(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="the folder to make")],
    units: Annotated[
        str, typer.Option(help="metric, us or canada: units of the field book and of display")
    ] = "metric",
) -> None:
    """A new farm folder: a commented farm.toml, a field book with example rows, an empty drop/.

    \b
    Examples:
      checkstrip new my_farm
      checkstrip new my_farm --units us
    """
    from flows import new as work

    typer.echo(work.new(folder, units))
