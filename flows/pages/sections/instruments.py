"""Instruments that need somebody: silent ones, and what the health checks found, one item a cause."""

from datetime import date, timedelta

import polars as pl

from flows.pages.cells import Line, Phrase, Row, cell, joined, say, say_row
from flows.pages.published_tables import Tables, last_row
from flows.pages.sections.causes import Cause, Place, named
from schemas.catalogue import TABLES
from schemas.table import Kind

_SILENT_AFTER_D = 2.0  # without a habit; common practice, no source
# What stops together has one cause: last values at most this far apart. Common practice, no source.
_TOGETHER = timedelta(days=1)
_NOT_MEASURED = ("depth_cm", "battery_min_v", "wind_height_m")
DAYS = {"station": "weather_day", "probe": "soil_day"}
_CHECK = " Check the power, the antenna or cable, and whether the files still arrive."
_CHECK_SHARED = " Check first what they share: the service that brings their files, the power."


def causes(tables: Tables, since: date, until: date) -> list[Cause]:
    """Return what instruments need in these days, the silent ones first."""
    during = (pl.col("from_day") <= until) & (pl.col("to_day") >= since)
    return _causes(tables, since, until, during)


def current(tables: Tables, day: date) -> list[Cause]:
    """Return what instruments need as of their latest day; silent are those that are so on a day."""
    return _causes(tables, day, day, pl.col("current"))


def _causes(tables: Tables, since: date, until: date, when: pl.Expr) -> list[Cause]:
    silent = _silent(tables, since, until)
    mute = {place[:2] for cause in silent for place in cause.places}
    return [*silent, *_findings(tables, when, mute)]


# ---- silent ----------------------------------------------------------------------------------


def _silent(tables: Tables, since: date, until: date) -> list[Cause]:
    """Return the instruments on the trial that sent no values for long; those that stopped together as one."""
    never: list[tuple[str, Row]] = []
    quiet: list[tuple[str, Row, Row]] = []
    for kind, days in DAYS.items():
        heard = tables(days).filter(
            (pl.col("day") <= until)
            & (
                pl.any_horizontal(pl.col(name).is_not_null() for name in _measured(days))
                | _metered(tables, kind)
            )
        )
        for spell in _standing(tables, kind, until):
            if _sent_or_set_aside(tables, since, until, kind, spell[kind]):
                continue
            row = last_row(heard.filter(pl.col(kind) == spell[kind]))
            if row is None:
                never.append((kind, spell))
            elif (until - row["day"]).days > _silent_after_d(tables, kind, spell[kind]):
                quiet.append((kind, spell, row))
    out = [_never_heard(never)] if never else []
    return out + [_stopped(tables, those) for those in _together(quiet)]


def _standing(tables: Tables, kind: str, until: date) -> list[Row]:
    """Return the instruments that stand in a field, or serve one, on a day."""
    serves = pl.col("serves").fill_null(False) if kind == "station" else pl.lit(False)
    found = tables(f"{kind}_spell").filter(
        (pl.col("field").is_not_null() | serves)
        & (pl.col("from_day") <= until)
        & (pl.col("to_day").is_null() | (pl.col("to_day") >= until))
    )
    rows: list[Row] = found.to_dicts()
    return rows


def _together(quiet: list[tuple[str, Row, Row]]) -> list[list[tuple[str, Row, Row]]]:
    """Return the silent ones in groups whose last days follow each other closely."""
    out: list[list[tuple[str, Row, Row]]] = []
    for one in sorted(quiet, key=lambda found: found[2]["day"]):
        if out and one[2]["day"] - out[-1][-1][2]["day"] <= _TOGETHER:
            out[-1].append(one)
        else:
            out.append([one])
    return out


def _metered(tables: Tables, kind: str) -> pl.Expr:
    """Return whether a daily row is of a day on which the station's water meter gave a volume."""
    if kind != "station":
        return pl.lit(False)
    metered = tables("water_meter_day").drop_nulls("volume_m3").select("station", "day")
    return pl.struct("station", "day").is_in(metered.to_struct().implode())


def _sent_or_set_aside(
    tables: Tables, since: date, until: date, kind: str, instrument: str
) -> bool:
    """Return whether values came but were flagged, or the field book says not to use any of them."""
    rows = tables("station_health", kind=kind, instrument=instrument, state="found").filter(
        pl.col("finding").str.starts_with("flagged")
        | ((pl.col("finding") == "set aside") & (pl.col("part") == "whole"))
    )
    return not rows.filter((pl.col("from_day") <= until) & (pl.col("to_day") >= since)).is_empty()


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


def _who(kind: str, spell: Row) -> Phrase:
    template = f"{{{kind}}} on {{field}}" if spell["field"] else f"{{{kind}}}"
    return say_row(f"{kind}_spell", spell, template)


def _noun(kinds: list[str]) -> str:
    return kinds[0] if len(set(kinds)) == 1 else "instrument"


def _about(those: list[tuple[str, Row]], line: Line) -> Cause:
    """Return the cause of silent instruments under its sentence."""
    at = {
        spell["field"]: say_row(f"{kind}_spell", spell, f"{{{kind}}} is silent")
        for kind, spell in those[::-1]
    }
    places: list[Place] = [(kind, spell[kind], "whole", "silent") for kind, spell in those]
    noun = _noun([kind for kind, _ in those])
    return Cause(line, at[those[0][1]["field"]], noun, len(those), at, frozenset(places))


def _start(those: list[tuple[str, Row]], one: str, many: str) -> Phrase:
    noun = _noun([kind for kind, _ in those])
    who = named(_who(kind, spell) for kind, spell in those)
    start = f"The {noun}s {{who}} {many}" if len(those) > 1 else f"The {noun} {{who}} {one}"
    return say(start, who=who)


def _never_heard(those: list[tuple[str, Row]]) -> Cause:
    it = "them" if len(those) > 1 else "it"
    check = f" Check whether files arrive and whether farm.toml names {it}."
    start = _start(those, "has never reported.", "have never reported.")
    return _about(those, Line((*start, check)))


def _stopped(tables: Tables, those: list[tuple[str, Row, Row]]) -> Cause:
    """Return the cause of instruments that sent nothing since about the same day."""
    spells = [(kind, spell) for kind, spell, _ in those]
    kind, _, last = those[-1]
    start = _start(spells, "has sent nothing since ", "have sent nothing since ")
    day = cell(DAYS[kind], last, "day")
    power = _battery(tables, spells[0]) if len(those) == 1 else ()
    check = _CHECK_SHARED if len(those) > 1 else _CHECK
    return _about(spells, Line((*start, day, ".", *power, check)))


def _battery(tables: Tables, one: tuple[str, Row]) -> Phrase:
    """Say that the battery of a silent instrument was failing: the likely reason."""
    kind, spell = one
    rows = tables("station_health", kind=kind, instrument=spell[kind], state="found").filter(
        pl.col("current") & pl.col("finding").str.starts_with("battery")
    )
    row = last_row(rows, "from_day")
    if row is None:
        return ()
    low = ", lowest {battery_min_v}" if row["battery_min_v"] is not None else ""
    return say_row("station_health", row, " Before that: {finding}" + low + ".")


# ---- findings --------------------------------------------------------------------------------


def _findings(tables: Tables, when: pl.Expr, mute: set[tuple[str, str]]) -> list[Cause]:
    """Return what the health checks found: a sensor once, what many have since one day once."""
    found = tables("station_health").filter(
        (pl.col("state") == "found")
        & (pl.col("severity") == "hands")
        & (pl.col("finding") != "silent")  # found above, as of these days
        & when
    )
    latest = found.sort("from_day", "finding", descending=[True, False]).to_dicts()
    lead: dict[Place, Row] = {}
    for row in latest:
        if (row["kind"], row["instrument"]) in mute and row["finding"].startswith("battery"):
            continue
        lead.setdefault(_place(row), row)
    alike: dict[tuple[object, ...], list[Row]] = {}
    for row in lead.values():
        same = (row["kind"], row["finding"], row["from_day"], row["cause"])
        alike.setdefault(same, []).append(row)
    return [_finding(rows) for rows in alike.values()]


def _place(row: Row) -> Place:
    """Return what a finding is about: a part has one cause, whatever a check says of it."""
    what = row["finding"] if row["part"] == "whole" else "part"
    return row["kind"], row["instrument"], row["part"], what


def _finding(rows: list[Row]) -> Cause:
    """Return the cause of findings that are alike since the same day."""
    rows = sorted(rows, key=lambda row: (row["instrument"], row["depth_cm"] or 0.0, row["part"]))
    by: dict[str, list[Row]] = {}
    for row in rows:
        by.setdefault(row["instrument"], []).append(row)
    row = rows[0]
    one = len(by) == 1
    template = "The {kind} {who}: " if one else "The {kind}s {who}: "
    template += "{finding} since {from_day}"
    if one and row["rain_in_question_mm"] is not None:
        template += ", {rain_in_question_mm}"
    template += " ({cause})" if row["cause"] is not None else ""
    if one and row["finding"].startswith("battery") and row["battery_min_v"] is not None:
        template += ", lowest {battery_min_v}"
        template += ", likely to fail by {fails_day}" if row["fails_day"] is not None else ""
    template += ". {advice}" if row["advice"] is not None else "."
    who = named(_parts(own) for own in by.values())
    sensors = all(one["depth_cm"] is not None for one in rows)
    count = len(rows) if sensors else len(by)
    at = {one["field"]: _short(one) for one in rows[::-1]}
    noun = "sensor" if sensors else row["kind"]
    line = Line(say_row("station_health", row, template, who=who))
    return Cause(line, _short(row), noun, count, at, frozenset(_place(one) for one in rows))


def _short(row: Row) -> Phrase:
    return (*_parts([row]), ": ", cell("station_health", row, "finding"))


def _parts(rows: list[Row]) -> Phrase:
    """Return an instrument with the parts that are meant."""
    name = say_row("station_health", rows[0], "{instrument}")
    if rows[0]["part"] == "whole" or rows[0]["finding"].startswith(rows[0]["part"]):
        return name  # 'radiation low' says the part itself
    each = ["{part}" if row["depth_cm"] is None else "{depth_cm}" for row in rows]
    parts = [say_row("station_health", row, one) for row, one in zip(rows, each, strict=True)]
    return (*name, ", ", *joined(parts))
