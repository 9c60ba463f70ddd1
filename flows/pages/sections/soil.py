"""Soil water left by depth, treated beside check."""

from __future__ import annotations

import polars as pl

from flows.pages.cells import Cell, Grid, Line, Phrase, Row, cell, joined, say
from flows.pages.published_tables import Tables
from flows.pages.week import Week

STRIPS = ("treated", "check")
# The share of its range at which a layer is called nearly dry: words only, no claim of stress.
_LITTLE = 0.25

Depths = dict[float, dict[str, Row]]


def left(tables: Tables, week: Week, field: str) -> Depths:
    """By depth and strip the latest usable day of the week."""
    days = tables("soil_water_day", field=field).filter(
        pl.col("day").is_between(week.monday, week.sunday) & pl.col("range_share").is_not_null()
    )
    out: Depths = {}
    for row in days.sort("depth_cm", "day").to_dicts():
        out.setdefault(row["depth_cm"], {})[row["strip"]] = row
    return out


def lines(depths: Depths, field: Row) -> list[Line]:
    """How deep each strip is nearly dry."""
    strips = [strip for strip in STRIPS if any(strip in by for by in depths.values())]
    down = {strip: _dry_down(depths, strip) for strip in strips}
    name = cell("field", field, "field")
    if len(strips) == 2 and down["treated"] is not None and down["check"] is not None:
        treated, check = down["treated"], down["check"]
        if treated.value == check.value:
            return [Line(say("On {field} both strips have a quarter of their water or less left down to {depth}.", field=name, depth=treated))]  # fmt: skip
    told = []
    for strip in strips:
        depth = down[strip]
        words = "the " + strip + " strip has a quarter of its water or less left down to {depth}"
        if depth is None:
            words = (
                "the "
                + strip
                + " strip has more than a quarter of its water left at its top sensor"
            )
        told.append(say(words, depth=depth or ""))
    if not told:
        return []
    return [Line(say("On {field} {told}.", field=name, told=joined(told, last=", and ")))]


def _dry_down(depths: Depths, strip: str) -> Cell | None:
    """The deepest depth down to which every layer known of the strip is nearly dry."""
    dry = None
    for by in depths.values():
        if strip not in by or by[strip]["range_share"] > _LITTLE:
            break
        dry = cell("soil_water_day", by[strip], "depth_cm")
    return dry


def grid(fields: dict[str, Depths]) -> Grid:
    """Share of the range from dry to full by field and depth, with the day it is of."""
    heads = ("Field", "Depth", "Treated", "coverage", "Check", "coverage", "Day")
    rows, notes = [], []
    for depths in fields.values():
        for by in depths.values():
            first = next(iter(by.values()))
            shown: list[Phrase] = [(cell("soil_water_day", first, n),) for n in ("field", "depth_cm")]  # fmt: skip
            for strip in STRIPS:
                names = ("range_share", "coverage")
                known = strip in by
                shown += [(cell("soil_water_day", by[strip], n) if known else "no data",) for n in names]  # fmt: skip
                if known and by[strip]["partial"] and by[strip]["reason"]:
                    given = {n: cell("soil_water_day", by[strip], n) for n in ("field", "strip", "depth_cm", "reason")}  # fmt: skip
                    notes.append(Line(say("{field}, {strip}, {depth_cm}: {reason}.", **given)))
            latest = max(by.values(), key=lambda row: row["day"])
            rows.append((*shown, (cell("soil_water_day", latest, "day"),)))
    caption = say("Water left, as a share of what lies between the driest seen and the full point")
    return Grid(caption, tuple((head,) for head in heads), tuple(rows), tuple(notes))
