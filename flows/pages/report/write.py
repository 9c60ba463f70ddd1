"""Put a report together and save it."""

from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl

from flows.base import files
from flows.farm.folder import FarmFolder
from flows.pages import render
from flows.pages.cells import Page, made_on
from flows.pages.published_tables import Tables
from flows.pages.reader_units import Show
from flows.pages.report import appendix, field, first_page, trial
from flows.pages.report.brief import brief
from flows.pages.report.chosen import chosen_seasons, years
from flows.pages.report.workbook import workbook
from flows.store import query


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


def write_brief(folder: FarmFolder, year: int | None = None) -> Path:
    """Save the one page to hand on; returns its path. Raises UserError as ``write`` does."""
    with query.open_published(folder) as con:
        tables = Tables(con)
        made = brief(tables, year, datetime.now(UTC).date())
        path = folder.reports / (f"brief-{year}.html" if year else "brief.html")
        page = render.html(made, tables.show(), render.data_uri, "brief.html")
        files.write_text(path, page)
    return path


def write_workbook(folder: FarmFolder, year: int | None = None) -> Path:
    """Save the evidence as a workbook; returns its path. Raises UserError as ``write`` does."""
    with query.open_published(folder) as con:
        tables = Tables(con, as_stored=True)
        chosen_seasons(tables, year)
        content = workbook(tables, year, datetime.now(UTC).date())
        path = folder.reports / (f"evidence-{year}.xlsx" if year else "evidence.xlsx")
        files.write_bytes(path, content)
    return path


def report(tables: Tables, year: int | None, show: Show, today: date) -> Page:
    """Put the report together from what the tables say; ``year`` is the year of harvest.

    Page one has a row a field, then each field has a page, then come the practices over the years
    and an appendix. Raises UserError if no field has a season of that year.
    """
    chosen = chosen_seasons(tables, year)
    sections = [first_page.section(tables, chosen)]
    for row in tables.fields():
        last = chosen.filter(pl.col("field") == row["field"])["season"].max()
        if last is not None:
            own = tables("season", field=row["field"]).filter(pl.col("season") <= last)
            sections.append(field.section(tables, row, own.sort("season").to_dicts(), show))
    sections += [*trial.sections(tables), *appendix.sections(tables, chosen, show)]
    title = (tables.farm_name(), *years(chosen, year))
    return Page(title, (), tuple(sections), (*tables.who_is_who(), made_on(today)))
