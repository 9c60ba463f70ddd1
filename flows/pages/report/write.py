"""Put a report together and save it."""

from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl

from flows.base import files
from flows.base.errors import UserError
from flows.farm.folder import FarmFolder
from flows.pages import render
from flows.pages.cells import Block, Line, Page, Phrase, Section, cell, made_on
from flows.pages.published_tables import Tables
from flows.pages.reader_units import Show
from flows.pages.report import trial
from flows.pages.report.season import field_facts, story
from flows.pages.sections import harvest
from flows.store import query

CAUTION = (
    "Have buried lines, cables and drains located before any ground is worked. Local rules and "
    "licensed people decide; heavy draft can hurt people."
)


def write(folder: FarmFolder, year: int | None = None) -> Path:
    """Save the report of a season, or of all years; returns its path.

    Raises UserError if nothing is published or no field had a season in that year.
    """
    with query.open_published(folder) as con:
        tables = Tables(con)
        show = tables.show()
        made = report(tables, year, show, datetime.now(UTC).date())
        path = folder.reports / (f"season-{year}.html" if year else "all-years.html")
        files.write_text(path, render.html(made, show, render.data_uri, "report.html"))
    return path


def report(tables: Tables, year: int | None, show: Show, today: date) -> Page:
    """Put the report together from what the tables say; ``year`` is the year of harvest.

    Raises UserError if no field has a season of that year.
    """
    every = tables("season").sort("field", "season")
    chosen = every.filter(pl.col("season") == year) if year else every
    if chosen.is_empty() and year:
        known = ", ".join(str(s) for s in every["season"].unique().sort()) or "none"
        raise UserError(f"No field has a season {year} in the field book; its seasons are {known}.")
    sections = [_in_short(tables, chosen)]
    for field in tables.fields():
        own = chosen.filter(pl.col("field") == field["field"]).to_dicts()
        if not own:
            continue
        facts = tuple(field_facts(tables, field, show))
        sections.append(Section((cell("field", field, "field"),), facts, new_page=True))
        sections += [story(tables, row, show) for row in own]
    sections += trial.sections(tables)
    years: Phrase = (": all years",)
    if year:
        years = (": season ", cell("season", chosen.to_dicts()[0], "season"))
    foot = (Line((CAUTION,)), Line((harvest.NOT_ADVICE,)), made_on(today))
    return Page((tables.farm_name(), *years), (), tuple(sections), foot)


def _in_short(tables: Tables, chosen: pl.DataFrame) -> Section:
    """Say the responses, one line a site-year, and the money as of the last season."""
    blocks: list[Block] = []
    for row in chosen.to_dicts():
        blocks += harvest.response(tables, row["field"], row["season"])
    for (field,), own in chosen.sort("season").group_by("field", maintain_order=True):
        blocks += harvest.money(tables, str(field), int(own["season"][-1]))
    blocks = blocks or [Line(("No strip was weighed yet.",))]
    return Section(("In short",), tuple(blocks))
