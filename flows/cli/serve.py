"""The command that stays up: run.

Imports inside functions are for start-up time.
"""

from __future__ import annotations

from contextlib import suppress

from flows.cli.base import Folder, app, farm_folder, say


@app.command("run")
def run(folder: Folder) -> None:
    """Keep running on schedule (Ctrl-C to stop).

    What was missed while nothing ran is caught up once, at the start. The schedules are those of
    farm.toml when it starts. The scheduler listens on this computer only, and nothing is sent but
    to the sources and the mail server that farm.toml names. Exit 1 if the scheduler does not start.

    \b
    Example:
      checkstrip run my_farm
    """
    from flows.run import serve

    with suppress(KeyboardInterrupt):
        serve.serve(farm_folder(folder), say)
    say("Stopped.")
