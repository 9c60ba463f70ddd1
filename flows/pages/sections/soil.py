"""Soil water left by depth, treated beside check."""

from datetime import date

import polars as pl

from flows.pages.cells import (
    Cell,
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
from flows.pages.week import Week

STRIPS = ("treated", "check")
# The share of its range at which a layer is called nearly dry: words only, no claim of stress.
NEARLY_DRY = 0.25

_STRESS = (
    "{strip} {week_stress_d} of {week_known_d} days this week, {season_stress_d} of {season_known_d} "
    "since seeding"
)

Depths = dict[float, dict[str, Row]]


def by_depth(rows: list[Row]) -> Depths:
    """Return rows by depth and strip; the last one of each counts."""
    out: Depths = {}
    for row in rows:
        out.setdefault(row["depth_cm"], {})[row["strip"]] = row
    return out


def water_left(tables: Tables, week: Week, field: str) -> Depths:
    """Return the week's last known share of its range, by depth and strip."""
    days = tables("soil_water_day", field=field).filter(
        pl.col("day").is_between(week.monday, week.sunday)
        & pl.col("available_water_share").is_not_null()
    )
    return by_depth(days.sort("depth_cm", "day").to_dicts())


def not_known(tables: Tables, week: Week, field: Row) -> list[Line]:
    """Say why a field with probes has no water left to tell this week; nothing without a probe."""
    days = tables("soil_water_day", field=field["field"]).filter(
        pl.col("day").is_between(week.monday, week.sunday)
    )
    told = days.filter(pl.col("reason").is_not_null())
    if not told.is_empty():
        most = told["reason"].mode().sort()[0]
        row = told.filter(pl.col("reason") == most).to_dicts()[0]
        template = "Soil water on {field} is not known this week: {reason}."
        return [Line(say_row("soil_water_day", row, template))]
    if tables("probe_spell", field=field["field"]).is_empty():
        return []
    none = "Soil water on {field} is not known this week: no probe reported from it."
    return [Line(say_row("field", field, none))]


def lines(depths: Depths, field: Row) -> list[Line]:
    """Name the depths of each strip that have a quarter of their water or less left."""
    strips = [strip for strip in STRIPS if any(strip in by_strip for by_strip in depths.values())]
    dry = {strip: _nearly_dry(depths, strip) for strip in strips}
    if not any(dry.values()):
        none = "On {field} every sensor has more than a quarter of its available water left."
        return [Line(say_row("field", field, none))]
    found = joined([_one_strip(strip, cells) for strip, cells in dry.items()], last="; ")
    nearly = "On {field} a quarter of the available water or less is left: {found}."
    return [Line(say_row("field", field, nearly, found=found))]


def _one_strip(strip: str, dry: list[Cell]) -> Phrase:
    if not dry:
        return say("{strip} strip at no depth", strip=strip)
    return say("{strip} strip at {depths}", strip=strip, depths=joined([(one,) for one in dry]))


def _nearly_dry(depths: Depths, strip: str) -> list[Cell]:
    """Return the depths of a strip that are nearly dry, those of the table below and no others."""
    rows = [by_strip[strip] for by_strip in depths.values() if strip in by_strip]
    return [
        cell("soil_water_day", row, "depth_cm")
        for row in rows
        if row["available_water_share"] <= NEARLY_DRY
    ]


def profile(tables: Tables, week: Week, field: str) -> list[Line]:
    """Say the week's last known available water of each strip's profile, and the demand it met."""
    days = tables("profile_water_day", field=field).filter(
        pl.col("day").is_between(week.monday, week.sunday)
        & pl.col("available_water_mm").is_not_null()
    )
    last = {row["strip"]: row for row in days.sort("day").to_dicts()}
    rows = [last[strip] for strip in STRIPS if strip in last]
    if not rows:
        return []
    found = joined([_in_profile(row) for row in rows], last="; ")
    least = min(rows, key=lambda row: row["coverage"])
    start = "Available water down to {soil_depth_cm} on {field}: {found}."
    return [line("profile_water_day", least, start, found=found)]


def stress(tables: Tables, week: Week, field: str) -> list[Line]:
    """Say on how many days each strip's crop lacked water, this week and since seeding."""
    days = tables("stress_day", field=field).filter(
        pl.col("day").is_between(week.monday, week.sunday) & (pl.col("season_known_d") > 0)
    )
    last = {row["strip"]: row for row in days.sort("day").to_dicts()}
    rows = [last[strip] for strip in STRIPS if strip in last]
    if not rows:
        return []
    found = joined([say_row("stress_day", row, _STRESS) for row in rows], last="; ")
    least = min(rows, key=lambda row: row["coverage"])
    start = "Stress days on {field} (profile below {stress_level_share} of its available water): {found}."
    return [line("stress_day", least, start, found=found)]


def _in_profile(row: Row) -> Phrase:
    template = "{strip} {available_water_mm} ({available_water_share} of what the soil can hold)"
    if row["demand_met_share"] is not None:
        template += ", which met {demand_met_share} of the crop's demand in the last days"
    return say_row("profile_water_day", row, template)


def left_grid(fields: dict[str, Depths]) -> Grid:
    """Return the water left by field and depth in both strips."""
    rows, notes = [], []
    shown_rows = [
        row for depths in fields.values() for by in depths.values() for row in by.values()
    ]
    latest = max(row["day"] for row in shown_rows)
    for by_strip in (by_strip for depths in fields.values() for by_strip in depths.values()):
        known = [by_strip[strip] for strip in STRIPS if strip in by_strip]
        place = row_cells("soil_water_day", known[0], "field", "depth_cm")
        rows.append((*place, *(_share(by_strip.get(strip), latest) for strip in STRIPS)))
        notes += [
            Line(say_row("soil_water_day", row, "{field}, {strip}, {depth_cm}: {reason}."))
            for row in known
            if row["partial"] and row["reason"]
        ]
    caption = (
        "Water left, as a share of what lies between the lower limit and the drained upper limit"
    )
    if all(row["lower_limit_from"] == "record" for row in shown_rows):
        caption += " (the lower limit is the driest week seen)"
    return grid(say(caption), ("Field", "Depth", "Treated", "Check"), rows, notes)


def _share(row: Row | None, latest: date) -> Phrase:
    """Return a strip's share, with its day if others were measured later."""
    if row is None:
        return ("no data",)
    earlier = "" if row["day"] == latest else " ({day})"
    return say_row("soil_water_day", row, "{available_water_share}" + earlier)
