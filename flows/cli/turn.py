"""Commands that do the work once: once, collect, derive, publish, rebuild.

Imports inside functions are for start-up time.
"""

from __future__ import annotations

from typing import Annotated

import typer

from flows.cli.base import AsJson, Folder, app, farm_folder, report_runs, run_steps

AcceptLoss = Annotated[bool, typer.Option("--accept-loss", help="go on, though data is lost")]


@app.command()
def once(folder: Folder, as_json: AsJson = False) -> None:
    """Do everything that is due, once.

    Collect, derive, publish; also the backup and what else farm.toml schedules. For the system's
    task scheduler. Exit 1 if rows, files or field book entries were rejected, files of the archive
    are missing or damaged, or a later step needs attention.

    \b
    Example:
      checkstrip once my_farm
    """
    from flows.run import quiet

    farm = farm_folder(folder)
    done = quiet.again(farm)
    if done is None:
        from flows.base.progress import bar
        from flows.run import steps

        with bar() as tick:
            done = steps.turn(farm, tick)
    report_runs(done, as_json=as_json)


@app.command()
def collect(folder: Folder, as_json: AsJson = False) -> None:
    """Read new files and responses.

    Exit 1 if rows or files were rejected, field book entries are (until it is saved without
    faults), or files of the archive are missing or damaged.

    \b
    Example:
      checkstrip collect my_farm
    """
    run_steps(folder, "collect", as_json=as_json)


@app.command()
def derive(folder: Folder, as_json: AsJson = False) -> None:
    """Update the daily and derived tables.

    Exit 1 if a table could not be made, or values or rows were left out of it (derive_problem).

    \b
    Example:
      checkstrip derive my_farm
    """
    run_steps(folder, "derive", as_json=as_json)


@app.command()
def publish(folder: Folder, accept_loss: AcceptLoss = False, as_json: AsJson = False) -> None:
    """Refresh the copy that others open.

    Exit 1 if the copy would lose rows and no change of farm.toml, a book or a file explains it: then
    the old copy stays, unless --accept-loss is given.

    \b
    Example:
      checkstrip publish my_farm
    """
    from flows.base.progress import bar
    from flows.run import steps

    with bar() as tick:
        done = steps.publish(farm_folder(folder), tick, accept_loss=accept_loss)
    report_runs([done], as_json=as_json)


@app.command()
def rebuild(folder: Folder, accept_loss: AcceptLoss = False, as_json: AsJson = False) -> None:
    """Rebuild the warehouse from the archive.

    The old warehouse stays until the new one is whole and was compared with it. Exit 1 if the
    archive lacks something that the old one has: then nothing is changed; --accept-loss lists
    what is lost and goes on. Prints the checksum.

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
    report_runs(done, as_json=as_json)
