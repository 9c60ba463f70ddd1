"""The command that audits: audit."""

from __future__ import annotations

from flows.cli.base import AsJson, Folder, app, run_steps


@app.command()
def audit(folder: Folder, as_json: AsJson = False) -> None:
    """Check the warehouse for errors.

    Everything published is compared with its declared limits and with itself; a page is saved in
    audit/. Exit 1 if an expectation did not hold.

    \b
    Example:
      checkstrip audit my_farm
    """
    run_steps(folder, "audit", as_json=as_json)
