"""Where the roots are, the lead, and where the water came from."""

from __future__ import annotations

from datetime import timedelta

import polars as pl

from flows.pages.cells import Grid, Line, Phrase, Row, cell, joined, line, say
from flows.pages.published_tables import Tables
from flows.pages.sections.soil import STRIPS
from flows.pages.week import Week

_RECENT = timedelta(days=14)
_OTHER = {"treated": "check", "check": "treated"}


def lines(tables: Tables, week: Week, season: Row) -> list[Line]:
    """What is new of the roots, and where they are."""
    leads = tables("root_lead", field=season["field"], season=season["season"])
    out = []
    for row in leads.sort("depth_cm", descending=True).to_dicts():
        told = _lead(week, row)
        if told is not None:
            out.append(told)
    fronts = _fronts(tables, week, season)
    return [*out[:2], *fronts]


def _lead(week: Week, row: Row) -> Line | None:
    """A depth that one of the strips reached within a fortnight."""
    here = {s: row[f"{s}_day"] is not None and row[f"{s}_day"] <= week.sunday for s in STRIPS}
    new = [s for s in STRIPS if here[s] and row[f"{s}_day"] > week.sunday - _RECENT]
    if not new:
        return None
    given = {
        "field": cell("root_lead", row, "field"),
        "depth": cell("root_lead", row, "depth_cm"),
        "treated": cell("root_lead", row, "treated_day"),
        "check": cell("root_lead", row, "check_day"),
        "lead": cell("root_lead", row, "lead_d"),
        "low": cell("root_lead", row, "lead_low_d").with_sign(),
        "high": cell("root_lead", row, "lead_high_d").with_sign(),
    }
    if all(here.values()):
        told = "Both strips on {field} are drawing at {depth}: the treated strip since {treated}, the check since {check}"
        both = (row["lead_low_d"], row["lead_high_d"])
        if None not in both:
            told += "; the lead of the treated strip lies between {low} and {high}"
            told += (
                "." if both[0] > 0 or both[1] < 0 else ", so which was first cannot be told yet."
            )
        else:
            told += "."
        return line("root_lead", row, told, **given)
    strip = new[0]
    other = _OTHER[strip]
    day = given[strip]
    state = row[f"{other}_state"]
    # Only a record that was watched and is quiet says 'not yet'.
    rest = f"the {other} is not there yet." if state in ("reached", "not seen") else f"of the {other} strip it cannot be told."  # fmt: skip
    return line("root_lead", row, "The " + strip + " strip on {field} is drawing at {depth} since {day}; " + rest, day=day, field=given["field"], depth=given["depth"])  # fmt: skip


def _fronts(tables: Tables, week: Week, season: Row) -> list[Line]:
    """Where both fronts are at the week's end, with the lesser coverage and its reason."""
    found = []
    for strip in STRIPS:
        days = tables("root_front_day", field=season["field"], season=season["season"], strip=strip)
        found += days.filter((pl.col("day") == week.sunday) & pl.col("front_cm").is_not_null()).to_dicts()  # fmt: skip
    if not found:
        return []
    least = min(found, key=lambda row: row["coverage"] or 0.0)
    field = cell("root_front_day", least, "field")
    told = joined([_front(row) for row in found])
    return [line("root_front_day", least, "Root front on {field}: {told}.", field=field, told=told)]


def _front(row: Row) -> Phrase:
    names = ("strip", "front_cm", "front_low_cm", "front_high_cm")
    given = {name: cell("root_front_day", row, name) for name in names}
    told = "{strip} {front_cm}" + (" or deeper" if row["deepest_passed"] else "")
    if given["front_low_cm"].known and given["front_high_cm"].known:
        told += " (between {front_low_cm} and {front_high_cm})"
    return say(told, **given)


def uptake(tables: Tables, week: Week, season: Row) -> list[Row]:
    """The week's uptake by strip and depth; empty where none stands clear of its error."""
    found = tables("drawdown_week", field=season["field"], season=season["season"])
    rows: list[Row] = (
        found.filter((pl.col("week_starts") == week.monday) & pl.col("uptake_mm").is_not_null())
        .sort("depth_cm", "strip", descending=[False, True])
        .to_dicts()
    )
    return rows if any(_clear(row) for row in rows) else []


def _clear(row: Row) -> bool:
    """Two standard errors above none; one without an error cannot be judged."""
    error = row["uptake_error_mm"]
    return error is not None and row["uptake_mm"] > 2 * error


def came_from(rows: list[Row]) -> list[Line]:
    """Which depth gave each strip most, where it stands clear of its error."""
    most = {}
    for strip in STRIPS:
        own = [row for row in rows if row["strip"] == strip and _clear(row)]
        if own:
            most[strip] = max(own, key=lambda row: row["uptake_mm"])
    if not most:
        return []
    told = []
    for strip, row in most.items():
        given = {n: cell("drawdown_week", row, n) for n in ("depth_cm", "uptake_mm", "uptake_error_mm")}  # fmt: skip
        told.append(say("in the " + strip + " strip from {depth_cm} ({uptake_mm}, standard error {uptake_error_mm})", **given))  # fmt: skip
    least = min(most.values(), key=lambda row: row["coverage"])
    start = "Most of the water on {field} came {told}."
    field = cell("drawdown_week", least, "field")
    return [line("drawdown_week", least, start, field=field, told=joined(told))]


def grid(fields: dict[str, list[Row]]) -> Grid:
    """The week's uptake by field and depth in both strips."""
    heads = ("Field", "Depth", "Treated", "Check", "Days counted", "Coverage")
    body, notes = [], []
    for rows in fields.values():
        depths: dict[float, dict[str, Row]] = {}
        for row in rows:
            depths.setdefault(row["depth_cm"], {})[row["strip"]] = row
        for by in depths.values():
            first = next(iter(by.values()))
            shown: list[Phrase] = [(cell("drawdown_week", first, n),) for n in ("field", "depth_cm")]  # fmt: skip
            shown += [(cell("drawdown_week", by[s], "uptake_mm") if s in by else "no data",) for s in STRIPS]  # fmt: skip
            body.append((*shown, *((cell("drawdown_week", first, n),) for n in ("days", "coverage"))))  # fmt: skip
            if first["partial"] and first["reason"]:
                given = {n: cell("drawdown_week", first, n) for n in ("field", "depth_cm", "reason")}  # fmt: skip
                notes.append(Line(say("{field}, {depth_cm}: {reason}.", **given)))
    caption = say("Water taken up this week, on days that both strips have")
    return Grid(caption, tuple((head,) for head in heads), tuple(body), tuple(notes))
