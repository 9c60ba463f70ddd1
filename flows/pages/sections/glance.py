"""The week at one look: a line on rain and on what there is to do, and a table with a row a field."""

from collections.abc import Container, Iterable
from dataclasses import replace

import polars as pl

from flows.pages.cells import (
    WHOLE,
    Cell,
    Frame,
    Grid,
    Line,
    Phrase,
    Row,
    cell,
    joined,
    say,
    say_row,
)
from flows.pages.published_tables import Tables
from flows.pages.reader_units import Show
from flows.pages.sections import weather
from flows.pages.sections.causes import Cause, verdict
from flows.pages.sections.soil import STRIPS
from flows.pages.week import Week

HEADS = (
    "Field",
    "Rain",
    "Since seeding",
    "Water left",
    "Roots",
    "Lead",
    "To do",
)
_NONE: Phrase = ("–",)
# Shares of normal between which a week's rain is called near normal: words only, no claim. Common
# practice, no source.
_DRY, _WET = 0.75, 1.25
_DAYS = Frame("7")


# ---- the line --------------------------------------------------------------------------------


def headline(
    tables: Tables, week: Week, causes: list[Cause], show: Show, seasonal: int = 0
) -> Phrase:
    """Return the week in one line: its rain against normal, and whether somebody is needed.

    ``seasonal``: how many tasks of the trial's year are due.
    """
    rain = _rain_of_all(tables, week, show)
    said = verdict(causes, seasonal)
    return (*rain, " ", *said) if rain else said


def _rain_of_all(tables: Tables, week: Week, show: Show) -> Phrase:
    """Return the range of the week's rain over all strips; nothing if none was recorded."""
    rows = [
        row
        for field in tables.fields()
        for row in weather.stations(tables, week, field["field"])
        if row["rain_mm"] is not None
    ]
    if not rows:
        return ()
    range_ = _range(rows, "rain_mm", show)
    normals = [row for row in rows if row["normal_recorded_mm"]]
    least = min(rows, key=lambda row: row["coverage"] or 0.0)
    cover = _recorded(least) if (least["coverage"] or 0.0) < WHOLE else ()
    if not normals:
        return say("Rain this week: {range}{cover}.", range=range_, cover=cover)
    normal = _range(normals, "normal_recorded_mm", show)
    kind = _kind(normals)
    return say(
        kind + ": {range} against {normal} normal{cover}.", range=range_, normal=normal, cover=cover
    )


def _kind(rows: list[Row]) -> str:
    """Return what kind of week it was, by the mean of the strips; uneven by its ends."""
    shares = [row["rain_mm"] / row["normal_recorded_mm"] for row in rows]
    if max(row["rain_mm"] for row in rows) <= 0:
        return "Week without rain"
    dry, wet = min(shares) < _DRY, max(shares) > _WET
    if dry and wet:
        return "Uneven rain"
    mean = sum(shares) / len(shares)
    if mean < _DRY:
        return "Dry week"
    return "Wet week" if mean > _WET else "Rain near normal"


def _range(rows: list[Row], column: str, show: Show) -> Phrase:
    """Return the least and the most of a column as a range, or one value if they read the same."""
    low, high = (pick(rows, key=lambda row: row[column]) for pick in (min, max))
    ends = [cell("weather_week", row, column) for row in (low, high)]
    if show.cell(ends[0]) == show.cell(ends[1]):
        return (ends[1],)
    return (replace(ends[0], bare=True), " to ", ends[1])


def _recorded(row: Row) -> Phrase:
    """Return on how many days of the week rain was recorded."""
    return say_row("weather_week", row, " (rain recorded on {days_whole} of {all} days)", all=_DAYS)


# ---- the table -------------------------------------------------------------------------------


def table(  # noqa: PLR0917
    tables: Tables,
    week: Week,
    causes: list[Cause],
    fields: Iterable[str],
    most_notes: int,
    seasonal: Container[str] = (),
) -> Grid:
    """Return a row a field; the reasons of partial numbers below, at most so many of them.

    ``seasonal``: the fields on which a task of the trial's year is due.
    """
    rows, notes = [], []
    for field in fields:
        one = _Field(tables, week, field)
        rows.append((*one.cells(), _to_do(causes, field, field in seasonal)))
        notes += one.notes
    heads = tuple((head,) for head in HEADS)
    why = _grouped(notes)
    if len(why) > most_notes:
        why = (*why[: most_notes - 1], Line(("Partial, other numbers: the full page says why.",)))
    return Grid(("Each field this week",), heads, tuple(rows), why, records=True)


def _to_do(causes: list[Cause], field: str, seasonal: bool) -> Phrase:
    mine: list[Phrase] = [cause.at[field] for cause in causes if field in cause.at]
    mine += [("seasonal task",)] if seasonal else []
    if not mine:
        return ("nothing",)
    return (*mine[0], "; more below") if len(mine) > 1 else mine[0]


def _grouped(notes: list[tuple[Phrase, Phrase]]) -> tuple[Line, ...]:
    """Return what is partial and why, each reason once."""
    by: dict[str, tuple[Phrase, list[Phrase]]] = {}
    for what, why in notes:
        text = "".join(str(p.value) if isinstance(p, Cell) else str(p) for p in why)
        by.setdefault(text, (why, []))[1].append(what)
    return tuple(
        Line(say("Partial: {what}: {why}.", what=joined(whats), why=why))
        for why, whats in by.values()
    )


class _Field:
    """The cells of one field's row, and what of them is partial."""

    def __init__(self, tables: Tables, week: Week, field: str) -> None:
        self._tables, self._week, self._field = tables, week, field
        self._season = tables.season_on(field, week.sunday)
        self.notes: list[tuple[Phrase, Phrase]] = []
        self._name = next(
            (cell("field", row, "field"),) for row in tables("field", field=field).to_dicts()
        )

    def cells(self) -> tuple[Phrase, ...]:
        return self._name, *self._rain(), self._water(), self._roots(), self._lead()

    def _note(self, what: str, why: Phrase) -> None:
        self.notes.append(((what, " on ", *self._name), why))

    def _note_least(self, table: str, what: str, rows: list[Row]) -> None:
        """Note why the least covered of the partial rows is partial."""
        partial = [row for row in rows if row["partial"] and row["reason"]]
        if partial:
            least = min(partial, key=lambda row: row["coverage"] or 0.0)
            self._note(what, (cell(table, least, "reason"),))

    def _rain(self) -> tuple[Phrase, Phrase]:
        rows = weather.stations(self._tables, self._week, self._field)
        known = [row for row in rows if row["rain_mm"] is not None]
        if not known:
            return _NONE, _NONE
        row = max(known, key=lambda found: found["coverage"] or 0.0)  # treated first on equal terms
        against = row["normal_recorded_mm"] is not None
        template = "{rain_mm:bare} of {normal_recorded_mm}" if against else "{rain_mm}"
        if row["partial"] and (row["coverage"] or 0.0) < WHOLE:
            self._note("rain", _recorded_words(row))
        elif row["partial"] and row["reason"]:
            self._note("rain", (cell("weather_week", row, "reason"),))
        return say_row("weather_week", row, template), self._since_seeding(row["station"])

    def _since_seeding(self, station: str) -> Phrase:
        row = weather.season_to_date(self._tables, self._week, [station])
        if row is None or self._season is None:
            return _NONE
        against = row["season_to_date_normal_mm"] is not None
        template = "{total}" + (" of {season_to_date_normal_mm}" if against else "")
        whole = (row["season_to_date_coverage"] or 0.0) >= WHOLE
        total = replace(cell("rain_day", row, "season_to_date_mm", bare=against), partial=not whole)
        normal = {**row, "partial": False}
        if not whole:
            why = "rain recorded on {season_to_date_coverage} of the days"
            self._note("rain since seeding", say_row("rain_day", normal, why))
        return say_row("rain_day", normal, template, total=(total,))

    def _water(self) -> Phrase:
        """Return the available water of both strips, in mm or, if one has no value, as shares."""
        days = self._in_week("profile_water_day").drop_nulls("available_water_share")
        last = {row["strip"]: row for row in days.sort("day").to_dicts()}
        rows = [last[strip] for strip in STRIPS if strip in last]
        if not rows or self._season is None:
            return _NONE
        in_mm = all(row["available_water_mm"] is not None for row in rows)
        template = "{available_water_mm}" if in_mm else "{available_water_share}"
        self._note_least("profile_water_day", "water left", rows)
        each = [say_row("profile_water_day", row, "{strip} " + template) for row in rows]
        return (*joined(each, last=", "), "" if in_mm else " of capacity")

    def _roots(self) -> Phrase:
        days = self._in_week("root_front_day").filter(pl.col("day") == self._week.sunday)
        last = {row["strip"]: row for row in days.drop_nulls("front_cm").to_dicts()}
        rows = [last[strip] for strip in STRIPS if strip in last]
        if not rows:
            return _NONE
        self._note_least("root_front_day", "roots", rows)
        each = [
            say_row(
                "root_front_day",
                row,
                "{strip} {front_cm}" + (" or deeper" if row["deepest_passed"] else ""),
            )
            for row in rows
        ]
        return joined(each, last=", ")

    def _lead(self) -> Phrase:
        if self._season is None:
            return _NONE
        found = lead(self._tables, self._week, self._season)
        return found if found is not None else _NONE

    def _in_week(self, table: str) -> pl.DataFrame:
        return self._tables(table, field=self._field).filter(
            pl.col("day").is_between(self._week.monday, self._week.sunday)
        )


def _recorded_words(row: Row) -> Phrase:
    return say_row("weather_week", row, "recorded on {days_whole} of {all} days", all=_DAYS)


def lead_rows(tables: Tables, week: Week, season: Row) -> tuple[Row | None, tuple[Row, str] | None]:
    """Return the deepest depth that both strips' roots have reached by a week's end, with its lead.

    Second, a deeper one that only one strip has reached, and which; only if the other is watched.
    """
    leads = tables("root_lead", field=season["field"], season=season["season"])
    first: tuple[Row, str] | None = None
    for row in leads.sort("depth_cm", descending=True).to_dicts():
        there = [
            s for s in STRIPS if row[f"{s}_day"] is not None and row[f"{s}_day"] <= week.sunday
        ]
        if len(there) == len(STRIPS) and None not in (row["lead_low_d"], row["lead_high_d"]):
            return row, first
        if len(there) == 1 and first is None:
            other = STRIPS[1 - STRIPS.index(there[0])]
            watched = row[f"{other}_state"] in ("reached", "not seen")
            first = (row, there[0]) if watched else None
    return None, first


def lead(tables: Tables, week: Week, season: Row) -> Phrase | None:
    """Return the lead of the treated strip's roots with its interval, and which strip is first deeper."""
    both, first = lead_rows(tables, week, season)
    out: list[Phrase] = []
    if both is not None:
        interval = "{lead_low_d:bare+} to {lead_high_d:+} at {depth_cm}"
        out.append(say_row("root_lead", both, interval))
    if first is not None:
        out.append(say_row("root_lead", first[0], f"{first[1]} first at {{depth_cm}}"))
    return joined(out, last=", ") if out else None
