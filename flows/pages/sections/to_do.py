"""To do this week: silent instruments, batteries, sensors, files, probes to reinstall."""

import polars as pl

from flows.pages.cells import Line, Phrase, Row, cell, say, say_row
from flows.pages.published_tables import Tables, last_row
from flows.pages.week import Week
from flows.store.derive_problems import MADE_FROM

_MOST_FILES = 6


def lines(tables: Tables, week: Week) -> list[Line]:
    """Say everything that has to be done, the most pressing first."""
    return [
        *_not_made(tables, week),
        *_silent(tables, week, "station", "weather_day"),
        *_silent(tables, week, "probe", "soil_day"),
        *_findings(tables, week),
        *_files(tables, week),
        *_to_reinstall(tables, week),
    ]


def _not_made(tables: Tables, week: Week) -> list[Line]:
    """Name the tables that could not be made, and the columns of which values were left out."""
    problems = tables("derive_problem").filter(
        (pl.col("day").is_null() | pl.col("day").is_between(week.monday, week.sunday))
        & ~pl.col("reason").str.starts_with(MADE_FROM)
    )
    templates = {
        "table": "The table {table_name} could not be made ({reason}): its rows are those of an "
        "earlier run. checkstrip status tells what to do.",
        "row": "Rows of the table {table_name} were left out ({reason}). The table derive_problem "
        "lists each one.",
        "value": "Values of {column_name} in the table {table_name} were left out ({reason}). The "
        "table derive_problem lists each one.",
    }
    once = problems.unique(
        ["lost", "table_name", "column_name", "reason"], keep="first", maintain_order=True
    )
    return [Line(say_row("derive_problem", row, templates[row["lost"]])) for row in once.to_dicts()]


def _silent(tables: Tables, week: Week, kind: str, days: str) -> list[Line]:
    """Name the instruments in the fields at the week's end that sent nothing that day."""
    spells = tables(f"{kind}_spell").filter(
        pl.col("field").is_not_null()
        & (pl.col("from_day") <= week.sunday)
        & (pl.col("to_day").is_null() | (pl.col("to_day") >= week.sunday))
    )
    out = []
    for spell in spells.to_dicts():
        row = last_row(tables(days, **{kind: spell[kind]}).filter(pl.col("day") <= week.sunday))
        given: dict[str, Phrase] = {}
        if row is None:
            template = (
                "was never heard. Look whether its files arrive and whether farm.toml names it."
            )
        elif row["day"] < week.sunday:
            template = "has sent nothing since {day}. What lies between stays unknown."
            given["day"] = (cell(days, row, "day"),)
        else:
            continue
        start = f"The {kind} {{{kind}}} on {{field}} "
        out.append(Line(say_row(f"{kind}_spell", spell, start + template, **given)))
    return out


def _findings(tables: Tables, week: Week) -> list[Line]:
    """Say what the health checks found, each finding by its latest days."""
    found = tables("station_health").filter(
        (pl.col("state") == "found")
        & (pl.col("severity") == "hands")
        & (pl.col("finding") != "silent")  # said above, as of this week
        & (pl.col("from_day") <= week.sunday)
        & (pl.col("to_day") >= week.monday)
    )
    out = []
    latest = found.sort("from_day", descending=True).unique(
        ["kind", "instrument", "part", "finding"], keep="first", maintain_order=True
    )
    for row in latest.to_dicts():
        template = "The {kind} {instrument}" + ("" if row["part"] == "whole" else ", {part}")
        template += ": {finding} since {from_day}"
        if row["finding"].startswith("battery") and row["battery_min_v"] is not None:
            template += ", lowest {battery_min_v}"
            template += ", likely to fail by {fails_day}" if row["fails_day"] is not None else ""
        template += ". {advice}" if row["advice"] is not None else "."
        out.append(Line(say_row("station_health", row, template)))
    return out


def _files(tables: Tables, week: Week) -> list[Line]:
    """Name the week's files that were rejected, whole or in part."""
    came = tables("delivery").filter(
        pl.col("received_at").dt.date().is_between(week.monday, week.sunday)
        & ((pl.col("state") == "refused") | (pl.col("rows_quarantined") > 0))
    )
    rows: list[Row] = came.sort("sequence").to_dicts()
    out = []
    for row in rows[:_MOST_FILES]:
        template = "The file {name} could not be read: {reason}"
        cause: Phrase = ()
        if row["state"] != "refused":
            template = "Of the file {name}, rows were refused ({rows_quarantined}){cause}."
            rejected = tables("quarantine", delivery=row["delivery"], extent="row").head(1)
            for first in rejected.to_dicts():
                cause = say_row("quarantine", first, ": {cause}")
        out.append(Line(say_row("delivery", row, template, cause=cause)))
    if len(rows) > _MOST_FILES:
        out.append(Line(say("There are more such files; checkstrip status lists the causes.")))
    return out


def _to_reinstall(tables: Tables, week: Week) -> list[Line]:
    """Name the probes that came out for seeding or harvest and are not back."""
    last = (
        tables("probe_spell")
        .filter(pl.col("from_day") <= week.sunday)
        .sort("from_day")
        .unique(["field", "strip"], keep="last")
        .filter(pl.col("to_day") < week.sunday)
        .sort("field", "strip", descending=[False, True])
    )
    out = []
    for row in last.to_dicts():
        season = tables("season", field=row["field"])
        for column in ("harvested", "seeded"):
            since = season.filter(pl.col(column).is_between(row["to_day"], week.sunday))
            done = last_row(since, column)
            if done is None or (week.sunday - done[column]).days > 60:
                continue
            template = (
                f"The probe {{probe}} of {{field}} came out on {{to_day}}; the field was {column} "
                "on {day}. It is due to be set back: have buried services located before anything "
                "is driven or dug in."
            )
            day = cell("season", done, column)
            out.append(Line(say_row("probe_spell", row, template, day=day)))
            break
    return out
