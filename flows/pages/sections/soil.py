"""Soil water left by depth, treated beside check."""

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
_NEARLY_DRY = 0.25

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
    """Say how far down each strip has a quarter of its water or less left."""
    strips = [strip for strip in STRIPS if any(strip in by_strip for by_strip in depths.values())]
    dry = {strip: _nearly_dry_to(depths, strip) for strip in strips}
    depth = dry.get("treated")
    if len(strips) == 2 and depth and dry["check"] and depth.value == dry["check"].value:
        both = "On {field} both strips have a quarter of their water or less left down to {depth}."
        return [Line(say_row("field", field, both, depth=depth))]
    found = [_one_strip(strip, depth) for strip, depth in dry.items()]
    if not found:
        return []
    joint = joined(found, last=", and ")
    return [Line(say_row("field", field, "On {field} {found}.", found=joint))]


def _one_strip(strip: str, depth: Cell | None) -> Phrase:
    if depth is None:
        more = "the {strip} strip has more than a quarter of its water left at its top sensor"
        return say(more, strip=strip)
    less = "the {strip} strip has a quarter of its water or less left down to {depth}"
    return say(less, strip=strip, depth=depth)


def _nearly_dry_to(depths: Depths, strip: str) -> Cell | None:
    """Return the deepest depth down to which every layer known of the strip is nearly dry."""
    deepest = None
    for by_strip in depths.values():
        if strip not in by_strip or by_strip[strip]["available_water_share"] > _NEARLY_DRY:
            break
        deepest = cell("soil_water_day", by_strip[strip], "depth_cm")
    return deepest


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


def _in_profile(row: Row) -> Phrase:
    template = "{strip} {available_water_mm} ({available_water_share} of what the soil can hold)"
    if row["demand_met_share"] is not None:
        template += ", which met {demand_met_share} of the crop's demand in the last days"
    return say_row("profile_water_day", row, template)


def left_grid(fields: dict[str, Depths]) -> Grid:
    """Return the water left by field and depth in both strips."""
    heads = ("Field", "Depth", "Treated", "coverage", "Check", "coverage", "Day")
    rows, notes = [], []
    for by_strip in (by_strip for depths in fields.values() for by_strip in depths.values()):
        known = [by_strip[strip] for strip in STRIPS if strip in by_strip]
        shown = [*row_cells("soil_water_day", next(iter(by_strip.values())), "field", "depth_cm")]
        for strip in STRIPS:
            shown += (
                row_cells("soil_water_day", by_strip[strip], "available_water_share", "coverage")
                if strip in by_strip
                else (("no data",), ("no data",))
            )
        latest = max(by_strip.values(), key=lambda row: row["day"])
        rows.append((*shown, *row_cells("soil_water_day", latest, "day")))
        notes += [
            Line(say_row("soil_water_day", row, "{field}, {strip}, {depth_cm}: {reason}."))
            for row in known
            if row["partial"] and row["reason"]
        ]
    caption = (
        "Water left, as a share of what lies between the lower limit and the drained upper limit"
    )
    shown_rows = [
        row for depths in fields.values() for by in depths.values() for row in by.values()
    ]
    if all(row["lower_limit_from"] == "record" for row in shown_rows):
        caption += " (the lower limit is the driest week seen)"
    return grid(say(caption), heads, rows, notes)
