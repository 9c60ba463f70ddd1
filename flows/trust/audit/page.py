"""Write the night's page: one HTML file that loads nothing, from here or elsewhere."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined

from flows.base import files
from flows.trust.audit.outcome import Outcome


def html(began: datetime, farm: str, outcomes: list[Outcome]) -> str:
    """Return the page of one audit. Names come from people and files: everything is escaped."""
    env = Environment(
        loader=PackageLoader("flows.trust.audit", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return env.get_template("audit.html").render(
        began=f"{began:%Y-%m-%d %H:%M} UTC",
        day=lambda at: f"{at:%Y-%m-%d}",
        carried={o for o in outcomes if o.looked_at is not None and o.looked_at < began},
        farm=farm,
        failed=[o for o in outcomes if o.state == "failed"],
        held=[o for o in outcomes if o.state == "held"],
        unknown=[o for o in outcomes if o.state == "not evaluated"],
    )


def write(folder: Path, began: datetime, farm: str, outcomes: list[Outcome]) -> Path:
    """Write the page as audit-DATE-TIME.html; return its path."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"audit-{began:%Y-%m-%d-%H%M%S}.html"
    files.write_text(path, html(began, farm, outcomes))
    return path
