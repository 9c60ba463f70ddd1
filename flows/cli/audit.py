"""The command that audits: audit."""

from __future__ import annotations

from typing import Annotated

import typer

from flows.cli.base import AsJson, Folder, app, farm_folder, report_runs

Everything = Annotated[
    bool, typer.Option("--all", help="look at everything again, also what has not changed")
]


@app.command()
def audit(folder: Folder, everything: Everything = False, as_json: AsJson = False) -> None:
    """Check the warehouse for errors.

    Everything published is compared with its declared limits and with itself; a page is saved in
    audit/. What has not changed since an earlier audit keeps its result for a week at most. Exit 1
    if an expectation did not hold.

    \b
    Examples:
      checkstrip audit my_farm
      checkstrip audit my_farm --all
    """
    from flows.base.progress import bar
    from flows.run import steps

    with bar() as tick:
        done = steps.audit(farm_folder(folder), tick, everything=everything)
    report_runs([done], as_json=as_json)
