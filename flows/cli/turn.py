"""Commands that do the work once: once, collect, derive, publish, rebuild.

Imports inside functions are for start-up time.
"""

from __future__ import annotations

from flows.cli.base import Folder, app, farm_folder, report_runs, run_steps


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
def publish(folder: Folder) -> None:
    """Put a fresh copy of the warehouse where others read it.

    \b
    Example:
      checkstrip publish my_farm
    """
    run_steps(folder, "publish")


@app.command()
def rebuild(folder: Folder) -> None:
    """The whole warehouse again from the archive and the field book.

    The old warehouse stands until the new one is whole. Its checksum is printed.

    \b
    Example:
      checkstrip rebuild my_farm
    """
    run_steps(folder, "rebuild", "publish")
