"""Commands that do the work once: once, collect, derive, publish, rebuild.

Imports inside functions are for start-up time.
"""

from __future__ import annotations

from typing import Annotated

import typer

from flows.cli.base import Folder, app, farm_folder, report_runs, run_steps

AcceptLoss = Annotated[bool, typer.Option("--accept-loss", help="go on, though data is lost")]


@app.command()
def once(folder: Folder) -> None:
    """One full turn: collect, derive, publish. No server; fit for the system's task scheduler.

    Exit 0 fine, 1 something needs a look, 2 the set-up has a mistake.

    \b
    Example:
      checkstrip once my_farm
    """
    from flows.base.progress import bar
    from flows.run import steps

    with bar() as tick:
        done = steps.turn(farm_folder(folder), tick)
    report_runs(done)


@app.command()
def collect(folder: Folder) -> None:
    """Take new files and responses into the archive, and land their readings.

    \b
    Example:
      checkstrip collect my_farm
    """
    run_steps(folder, "collect")


@app.command()
def derive(folder: Folder) -> None:
    """Make the daily rows of touched days, and all tables that follow from them.

    \b
    Example:
      checkstrip derive my_farm
    """
    run_steps(folder, "derive")


@app.command()
def publish(folder: Folder, accept_loss: AcceptLoss = False) -> None:
    """Put a fresh copy of the warehouse where others read it.

    A copy with fewer rows than the one there is not published (exit 1), unless a change of
    farm.toml, a book or a file explains it, or --accept-loss is given.

    \b
    Example:
      checkstrip publish my_farm
    """
    from flows.base.progress import bar
    from flows.run import steps

    with bar() as tick:
        done = steps.publish(farm_folder(folder), tick, accept_loss=accept_loss)
    report_runs([done])


@app.command()
def rebuild(folder: Folder, accept_loss: AcceptLoss = False) -> None:
    """The whole warehouse again from the archive and the field book.

    The old warehouse stands until the new one is whole and was compared with it. If the archive
    lacks something that the old one knows, nothing is changed (exit 1); --accept-loss lists what
    is lost and goes on. Prints the checksum.

    \b
    Examples:
      checkstrip rebuild my_farm
      checkstrip rebuild my_farm --accept-loss
    """
    from flows.base.progress import bar
    from flows.run import steps

    farm = farm_folder(folder)
    with bar() as tick:
        done = [
            steps.rebuild(farm, tick, accept_loss=accept_loss),
            steps.publish(farm, tick, accept_loss=accept_loss),
        ]
    report_runs(done)
