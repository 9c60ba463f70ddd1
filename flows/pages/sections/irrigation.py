"""Irrigation of the week and of the season, beside the rain."""

import polars as pl

from flows.pages.cells import Line, Phrase, Row, joined, line, say_row
from flows.pages.published_tables import Tables
from flows.pages.sections.soil import STRIPS
from flows.pages.week import Week


def of_week(tables: Tables, week: Week, field: str) -> list[Line]:
    """Say what was applied on a field this week and since seeding; nothing if none is on record."""
    days = tables("irrigation_day", field=field).filter(
        pl.col("day").is_between(week.monday, week.sunday)
    )
    last = _last_by_strip(days)
    if not last:
        return []
    alike = _named(last, "week_to_date_mm", "season_to_date_mm")
    found = joined([_in_week(row, strip) for strip, row in alike], last="; ")
    worst = max(last.values(), key=lambda row: row["week_to_date_unknown_d"])
    words = say_row("irrigation_day", worst, "Irrigation on {field}: {found}.", found=found)
    if worst["week_to_date_unknown_d"]:
        template = " Not counted are days of which it is not known: {week_to_date_unknown_d}."
        words += say_row("irrigation_day", worst, template)
    return [line("irrigation_day", worst, "{words}", words=words)]


def _in_week(row: Row, strip: str) -> Phrase:
    template = "{week_to_date_mm} on {strip}"
    if row["season_to_date_mm"] is not None:
        template += " ({season_to_date_mm} since seeding)"
    return say_row("irrigation_day", row, template, strip=(strip,))


def of_season(tables: Tables, field: str, season: int) -> list[Line]:
    """Say what was applied from seeding to the last record of a season, by strip."""
    last = _last_by_strip(tables("irrigation_day", field=field, season=season))
    out = []
    for strip, row in _named(last, "season_to_date_mm", "day"):
        template = "Irrigation from seeding to {day} on {strip}: {season_to_date_mm}"
        if row["season_to_date_unknown_d"]:
            template += " (days of which it is not known: {season_to_date_unknown_d})"
        out.append(Line(say_row("irrigation_day", row, template + ".", strip=(strip,))))
    return out


def _last_by_strip(days: pl.DataFrame) -> dict[str, Row]:
    """Return the last row of each strip, treated first."""
    last = {row["strip"]: row for row in days.sort("day").to_dicts()}
    return {strip: last[strip] for strip in STRIPS if strip in last}


def _named(last: dict[str, Row], *alike: str) -> list[tuple[str, Row]]:
    """Return the rows with what they are of; one for both strips if they have the same to say."""
    rows = list(last.items())
    if len(rows) == len(STRIPS) and all(rows[0][1][n] == rows[1][1][n] for n in alike):
        return [("both strips", rows[0][1])]
    return [(f"the {strip} strip", row) for strip, row in rows]
