"""Forms to fill in on the day: the passes at the wagon, the work in the field; to print, and as CSV.

A form has the headings of its sheet of the field book, with units, so that the CSV can be filled in on a
phone and put into the field book as it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, Literal

import polars as pl

from flows.base import files
from flows.base.errors import UserError
from flows.farm.folder import FarmFolder
from flows.pages import render
from flows.pages.published_tables import Tables, chosen_fields
from flows.store import answer, query
from schemas.cautions import WORKING
from schemas.fieldbook.parts import Heading
from schemas.fieldbook.sheets import SHEETS

Kind = Literal["passes", "work"]
# Passes a strip on the sheet of a field that was never weighed: with fewer there is no scatter.
FEWEST = 4
_SPARE = 4  # empty rows for a pass done again
_SEEN = (
    ("operator", "who drove the tractor"),
    (
        "soil at working depth",
        "crumbles, smears or breaks into clods; roll some between the fingers",
    ),
    ("buried lines located", "by whom and when"),
    ("photographs", "the furrow, a spade of soil at working depth, the strip from its corner"),
)
_AT_THE_WAGON = (
    "Weigh each strip by itself, in the same way and at the same header width.",
    "Take the moisture of every pass from its own grain.",
    "A pass that went wrong: write yes under left out, say why, and weigh another one.",
)


@dataclass(frozen=True, slots=True)
class _Form:
    """A form as its template and its CSV have it."""

    title: str
    headings: list[Heading]
    names: list[str]
    rows: list[dict[str, Any]]
    notes: tuple[str, ...]
    caution: str
    across: bool


def write(folder: FarmFolder, kind: Kind, field: str | None = None) -> list[Path]:
    """Write the form of a field, or of all fields, as a page and as CSV; return their paths.

    Raises UserError if nothing is published or the field is not in the field book.
    """
    made: list[Path] = []
    with query.open_published(folder) as con:
        tables = Tables(con, as_stored=True)
        chosen = chosen_fields(tables, field)
        if not chosen:
            raise UserError(
                "There is no field in the field book yet, so there is no form to fill in."
            )
        today = datetime.now(UTC).astimezone(tables.zone).date()
        form = (_passes if kind == "passes" else _work)(tables, chosen, today)
        stem = folder.forms / f"{kind}-{today.year}{f'-{_safe(field)}' if field else ''}"
        files.write_text(stem.with_suffix(".html"), _page(form, tables))
        files.write_text(stem.with_suffix(".csv"), _csv(form))
        made += [stem.with_suffix(".html"), stem.with_suffix(".csv")]
    return made


def _safe(name: str) -> str:
    return "".join(c if c.isalnum() else "-" for c in name)[:60]


def _sheet(
    name: str, tables: Tables, leave_out: tuple[str, ...]
) -> tuple[list[Heading], list[str]]:
    """Return a sheet's headings and how they are written, in the units of the farm."""
    which = 0 if tables.show().system == "metric" else 1
    sheet = next(one for one in SHEETS if one.name == name)
    headings = [heading for heading in sheet.headings if heading.name not in leave_out]
    units = [heading.written[which] for heading in headings]
    names = [f"{h.name} ({u})" if u else h.name for h, u in zip(headings, units, strict=True)]
    return headings, names


def _passes(tables: Tables, fields: list[str], today: date) -> _Form:
    headings, names = _sheet("passes", tables, ("method", "yield"))
    rows = [
        {"field": field, "season": season, "strip": strip, "pass": n, "block": n}
        for field in fields
        if (season := _season(tables, field, today)) is not None
        for n in range(1, _usual(tables, field) + 1)
        for strip in _strips(tables, field)
    ]
    if not rows:
        raise UserError(
            "No season of these fields is in the field book, so there is nothing to weigh. "
            "Enter crop and day of seeding on the sheet seasons first."
        )
    spare = [{"field": field, "season": _season(tables, field, today)} for field in fields[:1]]
    title = f"Passes at the wagon: {', '.join(fields)}"
    return _Form(title, headings, names, rows + spare * _SPARE, _AT_THE_WAGON, "", across=True)


def _strips(tables: Tables, field: str, *, worked: bool = False) -> list[str]:
    """Return the strips of a field that are compared, the treated ones (or those alone) first."""
    pairs = tables("comparison", field=field)
    if pairs.is_empty():
        return ["treated"] if worked else ["treated", "check"]
    both = [*pairs["strip"], *([] if worked else pairs["against"])]
    return list(dict.fromkeys(both))


def _season(tables: Tables, field: str, today: date) -> int | None:
    """Return the standing season, else the last one that was harvested."""
    begun = tables("season", field=field).filter(pl.col("seeded") <= today)
    last = begun["season"].max()
    return int(last) if isinstance(last, int) else None


def _usual(tables: Tables, field: str) -> int:
    """Return how many passes a strip had when the field was weighed last."""
    passes = tables("harvest_pass", field=field)
    last = passes.filter(pl.col("season") == pl.col("season").max())
    counts = last.group_by("strip").len()["len"]
    return max(int(counts.max() or 0), FEWEST)  # type: ignore[arg-type]


def _work(tables: Tables, fields: list[str], _: date) -> _Form:
    headings, names = _sheet("operations", tables, ("counts for",))
    practices = {row["field"]: row["practice"] for row in tables.fields()}
    rows = [
        {"field": f, "strip": strip, "practice": practices[f]}
        for f in fields
        for strip in _strips(tables, f, worked=True)
    ]
    seen = [Heading(name, (), headings[0].reads, help_) for name, help_ in _SEEN]
    notes = (
        "Leave the check strip as it is. Photographs and what you see go to the sheet observations.",
    )
    title = f"The work on {', '.join(fields)}"
    return _Form(
        title,
        [*headings, *seen],
        [*names, *(h.name for h in seen)],
        rows,
        notes,
        WORKING,
        across=False,
    )


def _values(form: _Form, row: dict[str, Any]) -> list[str]:
    return [str(row.get(heading.name, "")) for heading in form.headings]


def _page(form: _Form, tables: Tables) -> str:
    shown = [
        {"name": name, "help": heading.help}
        for name, heading in zip(form.names, form.headings, strict=True)
    ]
    rows = [_values(form, row) for row in form.rows]
    if not form.across:  # one column to write in: the names of all fields in one cell
        rows = [[", ".join(dict.fromkeys(column)) for column in zip(*rows, strict=True)]]
    template = render.environment(tables.show(), render.data_uri).get_template("form.html")
    return template.render(
        title=form.title,
        notes=form.notes,
        caution=form.caution,
        heads=shown,
        rows=rows,
        across=form.across,
    )


def _csv(form: _Form) -> str:
    """Return the rows for the field book: only what its sheet has a column for."""
    kept = [i for i, heading in enumerate(form.headings) if heading.columns]
    rows = [_values(form, row) for row in form.rows if "strip" in row]
    frame = pl.DataFrame({form.names[i]: [row[i] for row in rows] for i in kept})
    return answer.for_spreadsheets(frame).write_csv()
