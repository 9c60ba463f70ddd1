"""Where the roots are, the lead, and where the water came from."""

from dataclasses import dataclass
from datetime import timedelta

import polars as pl

from flows.pages.cells import (
    Grid,
    Line,
    Phrase,
    Row,
    cell,
    grid,
    joined,
    line,
    row_cells,
    say,
    say_row,
)
from flows.pages.published_tables import Tables
from flows.pages.sections.soil import STRIPS, by_depth
from flows.pages.week import Week

_RECENT = timedelta(days=14)
_OTHER = {"treated": "check", "check": "treated"}


def lines(tables: Tables, week: Week, season: Row) -> list[Line]:
    """Say what is new of the roots, and where they are."""
    leads = tables("root_lead", field=season["field"], season=season["season"])
    rows = leads.sort("depth_cm", descending=True).to_dicts()
    new = [found for row in rows if (found := _lead(week, row)) is not None]
    return [*new[:2], *_fronts(tables, week, season)]


def _lead(week: Week, row: Row) -> Line | None:
    """Say which strip reached a depth within a fortnight; None if neither did."""
    here = {s: row[f"{s}_day"] is not None and row[f"{s}_day"] <= week.sunday for s in STRIPS}
    new = [s for s in STRIPS if here[s] and row[f"{s}_day"] > week.sunday - _RECENT]
    if not new:
        return None
    if all(here.values()):
        template = (
            "Both strips on {field} are drawing at {depth_cm}: the treated strip since {treated_day}, "
            "the check since {check_day}"
        )
        low, high = row["lead_low_d"], row["lead_high_d"]
        if None not in (low, high):
            template += (
                "; the lead of the treated strip lies between {lead_low_d:+} and {lead_high_d:+}"
            )
            if low <= 0 <= high:
                template += ", so which was first is not known yet"
        return line("root_lead", row, template + ".")
    strip = new[0]
    other = _OTHER[strip]
    # Only a record that was watched and is quiet says 'not yet'.
    watched = row[f"{other}_state"] in ("reached", "not seen")
    rest = "the {other} is not there yet" if watched else "for the {other} strip it is not known"
    template = "The {strip} strip on {field} is drawing at {depth_cm} since {day}; " + rest + "."
    day = cell("root_lead", row, f"{strip}_day")
    return line("root_lead", row, template, strip=strip, other=other, day=day)


def _fronts(tables: Tables, week: Week, season: Row) -> list[Line]:
    """Say where both fronts are at the week's end, with the lesser coverage and its reason."""
    days = tables("root_front_day", field=season["field"], season=season["season"])
    days = days.filter((pl.col("day") == week.sunday) & pl.col("front_cm").is_not_null())
    found = [row for s in STRIPS for row in days.filter(pl.col("strip") == s).to_dicts()]
    if not found:
        return []
    least = min(found, key=lambda row: row["coverage"] or 0.0)
    fronts = joined([_front(row) for row in found])
    return [line("root_front_day", least, "Root front on {field}: {fronts}.", fronts=fronts)]


def _front(row: Row) -> Phrase:
    template = "{strip} {front_cm}" + (" or deeper" if row["deepest_passed"] else "")
    if row["front_low_cm"] is not None and row["front_high_cm"] is not None:
        template += " (between {front_low_cm} and {front_high_cm})"
    return say_row("root_front_day", row, template)


def uptake(tables: Tables, week: Week, season: Row) -> list[Row]:
    """Return the week's uptake by strip and depth; empty if none is clear of its error."""
    found = tables("drawdown_week", field=season["field"], season=season["season"])
    rows: list[Row] = (
        found.filter((pl.col("week_starts") == week.monday) & pl.col("uptake_mm").is_not_null())
        .sort("depth_cm", "strip", descending=[False, True])
        .to_dicts()
    )
    return rows if any(_clear(row) for row in rows) else []


def _clear(row: Row) -> bool:
    """Return whether uptake is over two standard errors; False if the error is not known."""
    error = row["uptake_error_mm"]
    return error is not None and row["uptake_mm"] > 2 * error


def came_from(rows: list[Row]) -> list[Line]:
    """Say at which depth uptake was highest in each strip, as the table has it.

    A depth whose uptake is not clear of its error is not named as the highest; if the table shows
    more there, the sentence says so.
    """
    highest = [one for strip in STRIPS if (one := _highest(rows, strip)) is not None]
    if not highest:
        return []
    found = joined([one.phrase for one in highest], last=", ")
    least = min((one.row for one in highest), key=lambda row: row["coverage"])
    words = say_row(
        "drawdown_week", least, "Uptake on {field} was highest at: {found}.", found=found
    )
    unclear = [phrase for one in highest for phrase in one.unclear]
    if unclear:
        rest = (
            " The table shows more at {where}: not clear of its error, or with evaporation from the "
            "surface in it."
        )
        words = (*words, *say(rest, where=joined(unclear)))
    return [line("drawdown_week", least, "{words}", words=words)]


@dataclass(frozen=True, slots=True)
class _Highest:
    """The depth of a strip with the highest clear uptake, and those with more that is not clear."""

    row: Row
    phrase: Phrase
    unclear: list[Phrase]


def _highest(rows: list[Row], strip: str) -> _Highest | None:
    own = [row for row in rows if row["strip"] == strip]
    clear = [row for row in own if _clear(row)]
    if not clear:
        return None
    top = max(clear, key=lambda row: row["uptake_mm"])
    more = [row for row in own if row["uptake_mm"] > top["uptake_mm"]]
    return _Highest(
        top,
        say_row("drawdown_week", top, "{depth_cm} in the {strip} strip ({uptake_mm})"),
        [say_row("drawdown_week", row, "{depth_cm} in the {strip} strip") for row in more],
    )


def uptake_grid(fields: dict[str, list[Row]]) -> Grid:
    """Return the week's uptake by field and depth in both strips."""
    heads = ("Field", "Depth", "Treated", "Check")
    body, notes = [], []
    for by_strip in (by for rows in fields.values() for by in by_depth(rows).values()):
        first = next(iter(by_strip.values()))
        strips = [
            (cell("drawdown_week", by_strip[s], "uptake_mm") if s in by_strip else "no data",)
            for s in STRIPS
        ]
        place = row_cells("drawdown_week", first, "field", "depth_cm")
        body.append((*place, *strips))
        if first["partial"] and first["reason"]:
            notes.append(Line(say_row("drawdown_week", first, "{field}, {depth_cm}: {reason}.")))
    return grid(say("Water taken up this week, on days that both strips have"), heads, body, notes)
