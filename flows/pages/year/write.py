"""The year of a farm as text, as JSON and as a calendar file, from the published copy."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from textwrap import wrap
from typing import Any

from flows.base import files
from flows.base.errors import UserError
from flows.farm.folder import FarmFolder
from flows.pages import render
from flows.pages.cells import written
from flows.pages.published_tables import Tables, chosen_fields
from flows.pages.reader_units import Show
from flows.pages.year import calendar_file, lines
from flows.pages.year.items import Item, State, items
from flows.pages.year.place import Made
from flows.store import query
from flows.store.backup_objects import remembered

WIDTH = 98
_HEADS: dict[State, str] = {
    "due": "Due now",
    "ahead": "Ahead",
    "missed": "Not done in its time",
    "done": "Done",
}


@dataclass(frozen=True, slots=True)
class Year:
    """What is due, ahead and done: as text, as rows for a program, as a calendar file."""

    text: str
    rows: list[dict[str, Any]]
    calendar: bytes


def made(folder: FarmFolder) -> Made:
    """Return what the farm folder holds: the days of reports, pass sheets and the last good backup."""
    good = remembered(folder).good
    return Made(
        _days(folder.reports, "*"),
        _days(folder.forms, "passes*"),
        datetime.fromisoformat(good.at).date() if good else None,
    )


def _days(where: Path, pattern: str) -> tuple[date, ...]:
    return tuple(
        datetime.fromtimestamp(path.stat().st_mtime, UTC).date() for path in where.glob(pattern)
    )


def year(folder: FarmFolder, field: str | None = None, day: date | None = None) -> Year:
    """Return the year of all fields, or of one, as of a day (today by the farm's clock).

    Raises UserError if nothing is published or the field is not in the field book.
    """
    with query.open_published(folder) as con:
        tables = Tables(con)
        names = chosen_fields(tables, field)
        now = datetime.now(UTC)
        day = day or now.astimezone(tables.zone).date()
        show = tables.show(brief=True)
        every = items(tables, day, made(folder))
        found = [item for item in every if item.place.whole_field in names]
        farm = show.phrase((tables.farm_name(),))
        return Year(
            _text(found, show, farm, day),
            [_row(item, show) for item in found],
            calendar_file.calendar(found, show, farm, now),
        )


def write_calendar(path: Path, calendar: bytes) -> Path:
    """Save the calendar file in one step; return its path. Raises UserError if it is a folder."""
    if path.is_dir():
        raise UserError(f"{path} is a folder. Name a file, such as {path / 'year.ics'}.")
    files.write_bytes(path, calendar)
    return path


def _text(found: list[Item], show: Show, farm: str, day: date) -> str:
    out = [f"{farm}, {written(day)}"]
    for state, head in _HEADS.items():
        those = [item for item in found if item.state == state]
        if not those:
            continue
        out += ["", head]
        for group in lines.grouped(those):
            out += _wrapped(render.line_text(group.line, show), "  ", "    ")
            if state == "due":
                known = [line for item in group.items for line in lines.details(item)]
                known += lines.cautions(group.items)
                out += [
                    part
                    for line in known
                    for part in _wrapped(render.line_text(line, show), "    - ", "      ")
                ]
    if not found:
        out += ["", "Nothing is due: the field book has no season and no planned crop yet."]
    return "\n".join(out)


def _wrapped(text: str, first: str, later: str) -> list[str]:
    return wrap(
        text,
        WIDTH,
        initial_indent=first,
        subsequent_indent=later,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _row(item: Item, show: Show) -> dict[str, Any]:
    return {
        "task": item.rule.what,
        "field": item.field,
        "season": item.place.season,
        "state": item.state,
        "late": item.late,
        "from": item.first,
        "by": item.by,
        "until": item.last,
        "do": show.phrase(lines.Group((item,)).phrase),
    }
