"""Write the start page: is all well, what to do, the fields, the last readings, where the rest is.

The page is one file without a server or anything from outside. It is right also if the program has
stopped: it names the moment it was made, and its few lines of script compare that with the clock.
"""

from __future__ import annotations

import base64
import hashlib
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import duckdb

from flows.base import files
from flows.base.errors import Attention, UserError
from flows.farm.folder import FarmFolder
from flows.pages import render
from flows.pages.cells import Grid, Phrase, Row
from flows.pages.published_tables import Tables
from flows.pages.reader_units import Show
from flows.pages.start import as_of, fields, last_readings
from flows.pages.start.last_readings import Instrument
from flows.store import query

SCRIPT = """
const made = Date.parse(document.documentElement.dataset.made);
const days = (Date.now() - made) / 86400000;
if (days > 1) {
  const stopped = document.getElementById("stopped");
  stopped.textContent = "Checkstrip has stopped: this page is " + Math.floor(days) +
    (days < 2 ? " day" : " days") + " old. Start it with: checkstrip run, or checkstrip once.";
  stopped.hidden = false;
}
"""
_SINCE = timedelta(days=45)  # what the page shows is no older
_FAULTS = 20  # of the field book, shown with sheet and row
_PAGES = 4  # newest digests, reports and audits


@dataclass(slots=True)
class State:
    """What the status found, handed on by the run."""

    at: datetime
    zone: ZoneInfo
    attention: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    instruments: list[dict[str, Any]] = field(default_factory=list)


@dataclass(slots=True)
class _Shown:
    """What the template shows."""

    farm: Phrase
    state: State
    made: str
    as_of: str
    folder: str
    fields: list[Grid] = field(default_factory=list)
    instruments: list[Instrument] = field(default_factory=list)
    faults: list[Row] = field(default_factory=list)
    more_faults: int = 0
    pages: dict[str, list[str]] = field(default_factory=dict)


def write(folder: FarmFolder, state: State) -> Path:
    """Write ``index.html`` into the farm folder; returns its path.

    Without a published copy, or with a damaged one, the page has only what the status found.
    """
    local = state.at.astimezone(state.zone)
    shown = _Shown(
        (folder.root.name,),
        state,
        made=as_of.stamp(state.at),
        as_of=as_of.words(state.at, state.zone),
        folder=str(folder.root),
        pages=_pages(folder),
    )
    show = Show()
    try:
        with query.open_published(folder) as con:
            tables = Tables(con, since=local.date() - _SINCE)
            show = tables.show()
            _fill(shown, tables)
    except (UserError, Attention, duckdb.Error):
        pass  # the status says so
    html = render.environment(show, render.data_uri).get_template("start.html")
    path = folder.root / "index.html"
    files.write_text(path, html.render(it=shown, script=SCRIPT, script_hash=_hash(SCRIPT)))
    return path


def _fill(shown: _Shown, tables: Tables) -> None:
    now = shown.state.at.astimezone(shown.state.zone)
    shown.farm = (tables.farm_name(),)
    shown.fields = fields.at_a_glance(tables, now.date())
    shown.instruments = last_readings.instruments(tables, shown.state.instruments, now)
    faults = tables("book_problem").to_dicts()
    shown.faults, shown.more_faults = faults[:_FAULTS], max(0, len(faults) - _FAULTS)


def _pages(folder: FarmFolder) -> dict[str, list[str]]:
    """Return the newest pages of each kind, as links from the farm folder."""
    kinds = {"Digests": folder.digests, "Reports": folder.reports, "Audits": folder.audit}
    return {
        kind: [
            path.relative_to(folder.root).as_posix()
            for path in sorted(where.glob("*.html"), key=lambda path: path.name)[-_PAGES:][::-1]
        ]
        for kind, where in kinds.items()
    }


def _hash(script: str) -> str:
    """Return the script's hash for the content policy, so that no other script can run."""
    return base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
