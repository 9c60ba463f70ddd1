"""Commands to begin with: demo, new.

Imports inside functions are for start-up time. Their argument is not called ``folder``: it is no farm
folder yet, so it is never left out.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from flows.cli.base import app, hand_over, say


@app.command()
def new(
    root: Annotated[
        Path | None, typer.Argument(metavar="FOLDER", help="the folder to make")
    ] = None,
    name: Annotated[str | None, typer.Option(help="name of the farm")] = None,
    units: Annotated[
        str | None,
        typer.Option(help="metric, us or canada: units of the field book and of display"),
    ] = None,
    currency: Annotated[str | None, typer.Option(help="such as USD or CAD")] = None,
    place: Annotated[
        str | None,
        typer.Option(metavar="LAT,LON", help="latitude and longitude, as in 49.52,-98.01"),
    ] = None,
    elevation: Annotated[str | None, typer.Option(help="with --place: 250 m or 820 ft")] = None,
    time_zone: Annotated[str | None, typer.Option(help="such as America/Winnipeg")] = None,
    backup_to: Annotated[
        str | None, typer.Option(metavar="DIR", help="where backups go: another disk")
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="ask nothing, take the defaults")] = False,
    reference: Annotated[
        bool, typer.Option("--reference", help="print every key of farm.toml with examples")
    ] = False,
) -> None:
    """Create a farm folder with templates.

    It asks for name, units, currency, place, time zone and backups; each has a flag. Without a
    terminal, or with --yes, it takes the defaults and lists what is missing.

    \b
    Examples:
      checkstrip new my_farm
      checkstrip new my_farm --units us --place 49.52,-98.01 --elevation "820 ft"
      checkstrip new --reference > reference.toml
    """
    from flows.base.errors import UserError
    from flows.cli import asking
    from flows.setup import new, questions

    if reference:
        hand_over(new.reference())
        return
    if root is None:
        raise UserError("Name the folder to make, for example: checkstrip new my_farm")
    given = {
        "name": name,
        "currency": currency,
        "place": place,
        "elevation": elevation,
        "time_zone": time_zone,
        "backup_to": backup_to,
    }
    asked = asking.ask if asking.at_terminal() and not yes else questions.proposed
    say(new.new(root, units, given, asked))


@app.command()
def demo(
    root: Annotated[Path, typer.Argument(metavar="[FOLDER]", help="where to lay it out")] = Path(
        "farm_demo"
    ),
    last_day: Annotated[
        datetime | None,
        typer.Option("--date", formats=["%Y-%m-%d"], help="last day of the record (yesterday)"),
    ] = None,
    open_: Annotated[
        bool | None,
        typer.Option(
            "--open/--no-open", help="open its start page (if there is a terminal and a display)"
        ),
    ] = None,
) -> None:
    """Run the whole pipeline on an invented farm.

    Lays out its folder, runs everything once, prints what was found and opens the start page. The
    record ends yesterday; with --date, the same figures come out on any day.

    \b
    Examples:
      checkstrip demo
      checkstrip demo try_it --date 2025-10-31 --no-open
    """
    from flows.base.progress import bar
    from flows.cli import asking, start_page
    from flows.setup import demo

    with bar() as tick:
        on = last_day.date() if last_day else demo.yesterday()
        findings = demo.demo(root, tick, on)
    say(findings)
    if open_ or (open_ is None and asking.at_terminal() and start_page.has_display()):
        start_page.show(root)
