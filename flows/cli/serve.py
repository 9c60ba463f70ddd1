"""The command that stays up: run.

Imports inside functions are for start-up time.
"""

from __future__ import annotations

from contextlib import suppress

from flows.cli.base import Folder, app, farm_folder, say


@app.command("run")
def run(folder: Folder) -> None:
    """Stay up and do everything on schedule: collect, derive, publish. Ctrl-C stops all of it.

    What was missed while nothing ran is caught up once, at the start. The schedules are those of
    farm.toml when it starts. Nothing is sent anywhere: the scheduler's server listens on this
    computer only.

    \b
    Example:
      checkstrip run my_farm
    """
    from flows.run import serve

    with suppress(KeyboardInterrupt):
        serve.serve(farm_folder(folder), say)
    say("Stopped.")
