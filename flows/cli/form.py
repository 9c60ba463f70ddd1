"""The command that writes forms to fill in: form.

Imports inside functions are for start-up time.
"""

from __future__ import annotations

from typing import Annotated, Literal

import typer

from flows.cli.base import AsJson, Folder, app, farm_folder, hand_json, say


@app.command()
def form(
    kind: Annotated[
        Literal["passes", "work"],
        typer.Argument(help="passes: at the wagon on harvest day; work: the day of the work"),
    ],
    folder: Folder,
    field: Annotated[
        str | None, typer.Option(metavar="FIELD", help="one field; else all of them")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Write a form to print or to fill in on a phone.

    It is saved in forms/ as a page to print and as CSV. Both have the headings of the field book: copy
    the filled-in rows to the workbook's sheet passes or operations, or save the CSV into fieldbook/ as
    passes.csv or operations.csv.
    Have buried utilities located before any work.

    \b
    Examples:
      checkstrip form passes my_farm
      checkstrip form work my_farm --field Coulee
    """
    from flows.pages.year import forms

    made = forms.write(farm_folder(folder), kind, field)
    if as_json:
        hand_json({"files": made})
    else:
        say("\n".join(map(str, made)))
