"""The command that lets the computer start it: service.

Imports inside functions are for start-up time.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

import typer

from flows.cli.base import Folder, app, farm_folder, say


class Action(StrEnum):
    """What to do with the service."""

    SHOW = "show"
    INSTALL = "install"
    REMOVE = "remove"


@app.command()
def service(
    action: Annotated[Action, typer.Argument(help="show, install or remove")], folder: Folder
) -> None:
    """Start Checkstrip with the computer.

    A systemd user unit on Linux, a launchd agent on macOS, a task of the Task Scheduler on
    Windows; no administrator is needed. 'show' changes nothing. Exit 1 if something is left to type
    by hand.

    \b
    Examples:
      checkstrip service show my_farm
      checkstrip service install my_farm
      checkstrip service remove my_farm
    """
    from flows.run.service import install

    farm = farm_folder(folder)
    if action is Action.SHOW:
        say(install.show(farm))
        return
    done = (install.install if action is Action.INSTALL else install.remove)(farm)
    say("\n".join(done.sentences))
    if done.left_to_type:
        raise typer.Exit(1)
