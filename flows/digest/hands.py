"""What needs a pair of hands: silent instruments, batteries, sensors, files, probes to set back."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import polars as pl

from flows.digest.cells import Line, Row, cell, line, say
from flows.digest.tables import Tables, last_row
from flows.digest.week import Week

# A week's lowest voltage this far below the half year's before is a battery on its way out.
# Common practice (no source): a lead battery at rest loses a tenth of its voltage when flat.
_FALLEN = 0.95
_HALF_YEAR = timedelta(days=182)
_MOST_FILES = 6


def lines(tables: Tables, week: Week) -> list[Line]:
    """One line a thing to do, the urgent first."""
    return [
        *_silent(tables, week, "station", "weather_day"),
        *_silent(tables, week, "probe", "soil_day"),
        *_batteries(tables, week, "station", "weather_day"),
        *_batteries(tables, week, "probe", "soil_day"),
        *_sensors(tables, week),
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


def _batteries(tables: Tables, week: Week, kind: str, days: str) -> list[Line]:
    known = tables(days).filter(pl.col("battery_min_v").is_not_null())
    out = []
    for spell in standing(tables, week, kind):
        own = known.filter(pl.col(kind) == spell[kind])
        now = own.filter(pl.col("day").is_between(week.monday, week.sunday))
        before = own.filter(
            pl.col("day").is_between(week.monday - _HALF_YEAR, week.monday, closed="left")
        )
        if now.is_empty() or before.height < 28:
            continue
        low = now.sort("battery_min_v").to_dicts()[0]
        least = before.sort("battery_min_v").to_dicts()[0]
        if low["battery_min_v"] < _FALLEN * least["battery_min_v"]:
            out.append(
                Line(
                    say(
                        "The battery of the " + kind + " {name} fell to {now} on {day}; its lowest in the half year before was {before}.",
                        name=cell(days, low, kind),
                        now=cell(days, low, "battery_min_v"),
                        day=cell(days, low, "day"),
                        before=cell(days, least, "battery_min_v"),
                    )
                )
            )  # fmt: skip
    return out


def _sensors(tables: Tables, week: Week) -> list[Line]:
    """Sensors whose latest day of the week is bad: the water of that layer is not known."""
    days = tables("soil_quality_day").filter(
        pl.col("day").is_between(week.monday, week.sunday)
        & pl.col("quality").is_in(["bad", "suspect"])
        & (pl.col("stuck").fill_null(False) | pl.col("impossible").fill_null(False))
    )
    out = []
    for row in days.sort("day").unique(["probe", "depth_cm"], keep="last").sort("probe", "depth_cm").to_dicts():  # fmt: skip
        what = "stands still at one value" if row["stuck"] else "gives values that no soil holds"
        out.append(
            line(
                "soil_quality_day", row,
                "The sensor at {depth} of {probe} " + what + "; last seen so on {day}.",
                depth=cell("soil_quality_day", row, "depth_cm"),
                probe=cell("soil_quality_day", row, "probe"),
                day=cell("soil_quality_day", row, "day"),
            )
        )  # fmt: skip
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
