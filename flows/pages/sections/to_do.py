"""What needs a pair of hands: silent instruments, batteries, sensors, files, probes to set back."""

from __future__ import annotations

from typing import Any

import polars as pl

from flows.pages.cells import Line, Row, cell, say
from flows.pages.published_tables import Tables, last_row
from flows.pages.week import Week

_MOST_FILES = 6


def lines(tables: Tables, week: Week) -> list[Line]:
    """One line a thing to do, the urgent first."""
    return [
        *_silent(tables, week, "station", "weather_day"),
        *_silent(tables, week, "probe", "soil_day"),
        *_findings(tables, week),
        *_files(tables, week),
        *_to_set_back(tables, week),
    ]


def standing(tables: Tables, week: Week, kind: str) -> list[Row]:
    """The spells of instruments that stand on a trial at the week's end."""
    spells = tables(f"{kind}_spell").filter(
        pl.col("field").is_not_null()
        & (pl.col("from_day") <= week.sunday)
        & (pl.col("to_day").is_null() | (pl.col("to_day") >= week.sunday))
    )
    return spells.to_dicts()


def _silent(tables: Tables, week: Week, kind: str, days: str) -> list[Line]:
    out = []
    for spell in standing(tables, week, kind):
        heard = tables(days).filter((pl.col(kind) == spell[kind]) & (pl.col("day") <= week.sunday))
        named = {
            "name": (cell(f"{kind}_spell", spell, kind),),
            "field": (cell(f"{kind}_spell", spell, "field"),),
        }
        row = last_row(heard)
        if row is None:
            out.append(Line(say("The " + kind + " {name} on {field} was never heard. Look whether its files arrive and whether farm.toml names it.", **named)))  # fmt: skip
        elif row["day"] < week.sunday:
            day = cell(days, row, "day")
            out.append(Line(say("The " + kind + " {name} on {field} has sent nothing since {day}. What lies between stays unknown.", day=day, **named)))  # fmt: skip
    return out


def _findings(tables: Tables, week: Week) -> list[Line]:
    """What the health checks found that week and that wants hands, each once, the newest first."""
    found = tables("station_health").filter(
        (pl.col("state") == "found")
        & (pl.col("severity") == "hands")
        & (pl.col("finding") != "silent")  # told above, as of this week
        & (pl.col("from_day") <= week.sunday)
        & (pl.col("to_day") >= week.monday)
    )
    out = []
    latest = found.sort("from_day", descending=True).unique(
        ["kind", "instrument", "part", "finding"], keep="first", maintain_order=True
    )
    for row in latest.to_dicts():
        names = ("kind", "instrument", "part", "finding", "from_day", "battery_min_v", "fails_day")
        given = {name: cell("station_health", row, name) for name in names}
        told = "The {kind} {instrument}" + ("" if row["part"] == "whole" else ", {part}")
        told += ": {finding} since {from_day}"
        if row["finding"].startswith("battery") and row["battery_min_v"] is not None:
            told += ", lowest {battery_min_v}"
            told += ", likely to fail by {fails_day}" if row["fails_day"] is not None else ""
        advice = cell("station_health", row, "advice")
        phrase = say(told + ".{advice}", advice=(" ", advice) if advice.known else (), **given)
        out.append(Line(phrase))
    return out


def _files(tables: Tables, week: Week) -> list[Line]:
    """Deliveries of the week that were refused, or of which rows were."""
    came = tables("delivery").filter(
        pl.col("received_at").dt.date().is_between(week.monday, week.sunday)
        & ((pl.col("state") == "refused") | (pl.col("rows_quarantined") > 0))
    )
    rows: list[Row] = came.sort("sequence").to_dicts()
    out = []
    for row in rows[:_MOST_FILES]:
        name = cell("delivery", row, "name")
        if row["state"] == "refused":
            why = cell("delivery", row, "reason")
            out.append(Line(say("The file {name} could not be read: {why}", name=name, why=why)))
        else:
            count = cell("delivery", row, "rows_quarantined")
            cause = _cause(tables, row)
            out.append(Line(say("Of the file {name}, rows were refused ({count})" + ("{cause}." if cause else "."), name=name, count=count, cause=cause)))  # fmt: skip
    if len(rows) > _MOST_FILES:
        out.append(Line(say("There are more such files; checkstrip status lists the causes.")))
    return out


def _cause(tables: Tables, row: Row) -> tuple[Any, ...]:
    found = tables("quarantine", delivery=row["delivery"], extent="row")
    first = found.head(1).to_dicts()
    return (": ", cell("quarantine", first[0], "cause")) if first else ()


def _to_set_back(tables: Tables, week: Week) -> list[Line]:
    """Probes that came out, whose field was seeded or harvested since."""
    known = tables("probe_spell").filter(pl.col("from_day") <= week.sunday)
    out = []
    for row in known.sort("from_day").unique(["field", "strip"], keep="last").sort("field", "strip", descending=[False, True]).to_dicts():  # fmt: skip
        if row["to_day"] is None or row["to_day"] >= week.sunday:
            continue
        season = tables("season", field=row["field"])
        for column, told in (("harvested", "was harvested"), ("seeded", "was seeded")):
            since = season.filter(pl.col(column).is_between(row["to_day"], week.sunday))
            done = last_row(since, column)
            if done is None or (week.sunday - done[column]).days > 60:
                continue
            out.append(
                Line(
                    say(
                        "The probe {probe} of {field} came out on {out}; the field " + told + " on {day}. It is due to be set back: have buried services located before anything is driven or dug in.",
                        probe=cell("probe_spell", row, "probe"),
                        field=cell("probe_spell", row, "field"),
                        out=cell("probe_spell", row, "to_day"),
                        day=cell("season", done, column),
                    )
                )
            )  # fmt: skip
            break
    return out
