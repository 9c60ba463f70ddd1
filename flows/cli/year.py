"""The command that lists what is due in the trial's year: year.

Imports inside functions are for start-up time.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from flows.cli.base import AsJson, Folder, app, farm_folder, hand_json, say


@app.command()
def year(
    folder: Folder,
    field: Annotated[
        str | None, typer.Option(metavar="FIELD", help="one field; else all of them")
    ] = None,
    date: Annotated[
        datetime | None,
        typer.Option(formats=["%Y-%m-%d"], help="as of this day; else today"),
    ] = None,
    ics: Annotated[
        Path | None, typer.Option(metavar="FILE", help="write the dates for a calendar (RFC 5545)")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """List what is due in the trial's year.

    What to do now, what is ahead with its date, what is done: the decision after harvest, books and
    plans in winter, probes and water at seeding, pits and penetrometer in season, the pass sheet at
    harvest. Dates follow the farm's own seeding and harvest days; without any, its latitude and the
    crops on the sheet plans. A task is done when the field book or the farm folder says so.

    \b
    Examples:
      checkstrip year my_farm
      checkstrip year my_farm --field Coulee
      checkstrip year my_farm --ics trial.ics
    """
    from flows.pages.year import write

    farm = farm_folder(folder)
    found = write.year(farm, field, date.date() if date else None)
    saved = write.write_calendar(ics, found.calendar) if ics else None
    if as_json:
        hand_json({"tasks": found.rows, "file": saved})
    else:
        say("\n".join([found.text, *(["", str(saved)] if saved else [])]))
