"""Puts a report together and saves it."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl

from flows.base import files
from flows.base.errors import UserError
from flows.farm.folder import FarmFolder
from flows.pages import render
from flows.pages.cells import Block, Frame, Line, Part, Section, cell, say
from flows.pages.digest.make import Page
from flows.pages.published_tables import Tables
from flows.pages.reader_units import Show
from flows.pages.report import season as seasons
from flows.pages.report import trial
from flows.pages.sections import harvest
from flows.store import query

CAUTION = (
    "Have buried lines, cables and drains located before any ground is worked. Local rules and "
    "licensed people decide; heavy draft can hurt people."
)


def write(folder: FarmFolder, year: int | None = None) -> Path:
    """Save the report of a season, or of all years; returns its path.

    Raises UserError where nothing is published or no field had a season in that year.
    """
    with query.open_published(folder) as con:
        tables = Tables(con)
        show = tables.show()
        made = report(tables, year, show, datetime.now(UTC).date())
        path = folder.reports / (f"season-{year}.html" if year else "all-years.html")
        files.write_text(path, render.html(made, show, render.data_uri, "report.html"))
    return path


def report(tables: Tables, year: int | None, show: Show, made_on: date) -> Page:
    """The report from what the tables say; ``year`` is the year of harvest."""
    told = tables("season").sort("field", "season")
    chosen = told.filter(pl.col("season") == year) if year else told
    if chosen.is_empty() and year:
        known = ", ".join(str(s) for s in told["season"].unique().sort()) or "none"
        raise UserError(f"No field has a season {year} in the field book; its seasons are {known}.")
    sections = [_in_short(tables, chosen)]
    for field in tables.fields():
        own = chosen.filter(pl.col("field") == field["field"]).to_dicts()
        if not own:
            continue
        start: list[Block] = []
        names = ("practice", "soil", "area_ha")
        given = {n: cell("field", field, n) for n in names if field[n] is not None}
        if given:
            start.append(Line(say("; ".join(f"{{{n}}}" for n in given) + ".", **given)))
        start += seasons.money(tables, field["field"], show)
        sections.append(Section((cell("field", field, "field"),), tuple(start), new_page=True))
        sections += [seasons.story(tables, row, show) for row in own]
    sections += trial.sections(tables)
    farm = tables("farm").to_dicts()
    name: Part = cell("farm", farm[0], "farm") if farm else "The farm"
    what: Part = ": all years"
    title: tuple[Part, ...] = (name, what)
    if year:
        title = (name, ": season ", cell("season", chosen.to_dicts()[0], "season"))
    made: tuple[Part, ...] = ("Made on ", Frame(made_on.isoformat()), " from the published tables; each number can be looked up there.")  # fmt: skip
    foot = (Line((CAUTION,)), Line((harvest.NOT_ADVICE,)), Line(made))
    return Page(title, (), tuple(sections), foot)


def _in_short(tables: Tables, chosen: pl.DataFrame) -> Section:
    """The responses, one line a site-year, and the money where it stands now."""
    blocks: list[Block] = []
    for row in chosen.to_dicts():
        blocks += harvest.response(tables, row["field"], row["season"])
    for (field,), own in chosen.sort("season").group_by("field", maintain_order=True):
        blocks += harvest.money(tables, str(field), int(own["season"][-1]))
    blocks = blocks or [Line(("No strip was weighed yet.",))]
    return Section(("In short",), tuple(blocks))
