"""To do this week: silent instruments, batteries, sensors, files, probes to reinstall."""

from datetime import date

import polars as pl

from flows.pages.cells import Line, Phrase, Row, cell, joined, say, say_row
from flows.pages.published_tables import Tables, last_row
from flows.pages.week import Week
from flows.store.derive_problems import MADE_FROM
from schemas.catalogue import TABLES
from schemas.table import Kind

_MOST_FILES = 6
_MOST_NAMED = 6
_SILENT_AFTER_D = 2.0  # without a habit; common practice, no source
_NOT_MEASURED = ("depth_cm", "battery_min_v", "wind_height_m")


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
    """Name the instruments in the fields at the week's end that sent no values for long.

    Those that are silent since the same day share one sentence.
    """
    stood = tables(f"{kind}_spell")
    serves = pl.col("serves").fill_null(False) if kind == "station" else pl.lit(False)
    spells = stood.filter(
        (pl.col("field").is_not_null() | serves)
        & (pl.col("from_day") <= week.sunday)
        & (pl.col("to_day").is_null() | (pl.col("to_day") >= week.sunday))
    )
    heard = tables(days).filter(
        (pl.col("day") <= week.sunday)
        & (
            pl.any_horizontal(pl.col(name).is_not_null() for name in _measured(days))
            | _metered(tables, kind)
        )
    )
    out: list[Line] = []
    quiet: dict[date, list[tuple[Row, Row]]] = {}
    for spell in spells.to_dicts():
        row = last_row(heard.filter(pl.col(kind) == spell[kind]))
        if _sent_or_set_aside(tables, week, kind, spell[kind]):
            continue
        if row is None:
            template = (
                f"The {kind} {_who(kind, spell)} was never heard. Look whether its files arrive "
                "and whether farm.toml names it."
            )
            out.append(Line(say_row(f"{kind}_spell", spell, template)))
        elif (week.sunday - row["day"]).days > _silent_after_d(tables, kind, spell[kind]):
            quiet.setdefault(row["day"], []).append((spell, row))
    return out + [Line(_since_one_day(kind, days, those)) for _, those in sorted(quiet.items())]


def _metered(tables: Tables, kind: str) -> pl.Expr:
    """Return whether a daily row is of a day on which the station's water meter gave a volume."""
    if kind != "station":
        return pl.lit(False)
    metered = tables("water_meter_day").drop_nulls("volume_m3").select("station", "day")
    return pl.struct("station", "day").is_in(metered.to_struct().implode())


def _sent_or_set_aside(tables: Tables, week: Week, kind: str, instrument: str) -> bool:
    """Return whether values came but were flagged, or the field book says not to use any of them."""
    rows = tables("station_health", kind=kind, instrument=instrument, state="found").filter(
        pl.col("finding").str.starts_with("flagged")
        | ((pl.col("finding") == "set aside") & (pl.col("part") == "whole"))
    )
    return not rows.filter(
        (pl.col("from_day") <= week.sunday) & (pl.col("to_day") >= week.monday)
    ).is_empty()


def _measured(days: str) -> list[str]:
    """Return the columns of a daily table that are measured values, not the state of its power."""
    return [
        column.name
        for column in TABLES[days].columns
        if column.kind is Kind.NUMBER and column.share is None and column.name not in _NOT_MEASURED
    ]


def _silent_after_d(tables: Tables, kind: str, instrument: str) -> float:
    known = tables("station_health", kind=kind, instrument=instrument, finding="silent")
    after = known["silent_after_d"].drop_nulls().to_list()
    return max(after) if after else _SILENT_AFTER_D


def _who(kind: str, spell: Row) -> str:
    return f"{{{kind}}} on {{field}}" if spell["field"] else f"{{{kind}}}"


def _since_one_day(kind: str, days: str, those: list[tuple[Row, Row]]) -> Phrase:
    """Say that instruments sent nothing since their common last day."""
    who = [say_row(f"{kind}_spell", spell, _who(kind, spell)) for spell, _ in those]
    day = cell(days, those[0][1], "day")
    many = len(who) > 1
    start = f"The {kind}s {{who}} have" if many else f"The {kind} {{who}} has"
    more = (("others",),) if len(who) > _MOST_NAMED else ()
    named = joined([*who[:_MOST_NAMED], *more])
    ask = " Look first at what they share: the service that brings their files, the power."
    return say(
        start
        + " sent nothing since {day}. What lies between stays unknown."
        + (ask if many else ""),
        who=named,
        day=day,
    )


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
    same = ["kind", "instrument", "finding", "from_day", "cause"]
    for group in latest.partition_by(same, maintain_order=True):
        rows = group.sort("depth_cm", "part").to_dicts()
        row = rows[0]
        template = "The {kind} {instrument}" + ("" if row["part"] == "whole" else ", {parts}")
        template += ": {finding} since {from_day}"
        if row["rain_in_question_mm"] is not None:
            template += ", {rain_in_question_mm}"
        template += " ({cause})" if row["cause"] is not None else ""
        if row["finding"].startswith("battery") and row["battery_min_v"] is not None:
            template += ", lowest {battery_min_v}"
            template += ", likely to fail by {fails_day}" if row["fails_day"] is not None else ""
        template += ". {advice}" if row["advice"] is not None else "."
        parts = joined([say_row("station_health", one, "{part}") for one in rows])
        out.append(Line(say_row("station_health", row, template, parts=parts)))
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
