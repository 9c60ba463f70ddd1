"""The command that audits: audit."""

from __future__ import annotations

from flows.cli.base import Folder, app, run_steps


@app.command()
def audit(folder: Folder) -> None:
    """Hold what is published to its declarations and to itself; a page is saved in audit/.

    Exit 1 where an expectation did not hold; each is told in plain words.

    \b
    Example:
      checkstrip audit my_farm
    """
    run_steps(folder, "audit")
