"""Commands to begin with: demo, new.

Imports inside functions are for start-up time.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from flows.cli.base import app, say


@app.command()
def new(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="the folder to make")],
    units: Annotated[
        str, typer.Option(help="metric, us or canada: units of the field book and of display")
    ] = "metric",
) -> None:
    """Create a farm folder with templates.

    A commented farm.toml, a field book with example rows, an empty drop/.

    \b
    Examples:
      checkstrip new my_farm
      checkstrip new my_farm --units us
    """
    from flows.setup import new

    say(new.new(folder, units))


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(metavar="[FOLDER]", help="where to lay it out")] = Path(
        "farm_demo"
    ),
) -> None:
    """Run the whole pipeline on an invented farm.

    Lays out its folder, runs everything once, and prints what was found.

    \b
    Examples:
      checkstrip demo
      checkstrip demo try_it
    """
    from flows.base.progress import bar
    from flows.setup import demo

    with bar() as tick:
        findings = demo.demo(folder, tick)
    say(findings)
