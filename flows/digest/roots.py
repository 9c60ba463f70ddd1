"""Where the roots are, the lead, and where the water came from."""

from __future__ import annotations

from datetime import timedelta

import polars as pl

from flows.digest.cells import Grid, Line, Phrase, Row, cell, line, say
from flows.digest.soil import STRIPS
from flows.digest.tables import Tables
from flows.digest.week import Week

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
    out = []
    for strip in STRIPS:
        days = tables("root_front_day", field=season["field"], season=season["season"], strip=strip)
        row = days.filter((pl.col("day") == week.sunday) & pl.col("front_cm").is_not_null()).to_dicts()  # fmt: skip
        if not row:
            continue
        given = {n: cell("root_front_day", row[0], n) for n in ("field", "front_cm", "front_low_cm", "front_high_cm")}  # fmt: skip
        told = "Root front on {field}, " + strip + " strip: {front_cm}"
        if row[0]["deepest_passed"]:
            told += " or deeper"
        if given["front_low_cm"].known and given["front_high_cm"].known:
            told += " (between {front_low_cm} and {front_high_cm})"
        out.append(line("root_front_day", row[0], told + ".", **given))
    return out


def uptake(tables: Tables, week: Week, season: Row) -> list[Row]:
    """The week's uptake by strip and depth."""
    found = tables("drawdown_week", field=season["field"], season=season["season"])
    return (
        found.filter((pl.col("week_starts") == week.monday) & pl.col("uptake_mm").is_not_null())
        .sort("depth_cm", "strip", descending=[False, True])
        .to_dicts()
    )


def came_from(rows: list[Row]) -> list[Line]:
    """Which depth gave each strip most, where it stands clear of its error."""
    out = []
    for strip in STRIPS:
        own = [row for row in rows if row["strip"] == strip]
        most = max(own, key=lambda row: row["uptake_mm"], default=None)
        if most is None or most["uptake_mm"] <= 2 * (most["uptake_error_mm"] or 0.0):
            continue
        given = {n: cell("drawdown_week", most, n) for n in ("field", "depth_cm", "uptake_mm", "uptake_error_mm")}  # fmt: skip
        told = (
            "On {field} the "
            + strip
            + " strip took most of its water from the layer at {depth_cm}: {uptake_mm}"
        )
        told += " (standard error {uptake_error_mm})." if given["uptake_error_mm"].known else "."
        out.append(line("drawdown_week", most, told, **given))
    return out


def grid(rows: list[Row], field: Row) -> Grid:
    """The week's uptake by depth in both strips."""
    depths: dict[float, dict[str, Row]] = {}
    for row in rows:
        depths.setdefault(row["depth_cm"], {})[row["strip"]] = row
    heads: tuple[Phrase, ...] = (("Depth",), ("Treated",), ("Check",), ("Days counted",), ("Coverage",))  # fmt: skip
    body = []
    for by in depths.values():
        first = next(iter(by.values()))
        shown: list[Phrase] = [(cell("drawdown_week", first, "depth_cm"),)]
        shown += [(cell("drawdown_week", by[s], "uptake_mm"),) if s in by else ("no data",) for s in STRIPS]  # fmt: skip
        shown += [(cell("drawdown_week", first, name),) for name in ("days", "coverage")]
        body.append(tuple(shown))
    caption = say("Water taken up on {field} this week, on days that both strips have", field=cell("field", field, "field"))  # fmt: skip
    return Grid(caption, heads, tuple(body))
