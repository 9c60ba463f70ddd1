"""Soil water left by depth, treated beside check."""

from __future__ import annotations

import polars as pl

from flows.digest.cells import Cell, Grid, Line, Phrase, Row, cell, say
from flows.digest.tables import Tables
from flows.digest.week import Week

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
    told: list[Phrase] = []
    for strip in strips:
        dry: Cell | None = None
        for by in depths.values():
            if strip not in by or by[strip]["range_share"] > _LITTLE:
                break
            dry = cell("soil_water_day", by[strip], "depth_cm")
        words = "the {strip} strip has a quarter of its water or less left down to {depth}"
        if dry is None:
            words = "the {strip} strip has more than a quarter of its water left at its top sensor"
        told.append(say(words, strip=strip, depth=dry or ""))
    if not told:
        return []
    start = say("On {field} ", field=cell("field", field, "field"))
    both = tuple(part for i, phrase in enumerate(told) for part in ((", and ", *phrase) if i else phrase))  # fmt: skip
    return [Line((*start, *both, "."))]


def grid(depths: Depths, field: Row) -> Grid:
    """Share of the range from dry to full by depth, with the day it is of."""
    strips = [strip for strip in STRIPS if any(strip in by for by in depths.values())]
    heads: list[Phrase] = [("Depth",)]
    for strip in strips:
        heads += [(f"{strip.capitalize()}: left of its range",), ("Water content",), ("Coverage",)]
    rows, notes = [], []
    for by in depths.values():
        first = next(iter(by.values()))
        shown: list[Phrase] = [(cell("soil_water_day", first, "depth_cm"),)]
        for strip in strips:
            names = ("range_share", "vwc_pct", "coverage")
            if strip not in by:
                shown += [("no data",)] * len(names)
                continue
            shown += [(cell("soil_water_day", by[strip], name),) for name in names]
            if by[strip]["partial"] and by[strip]["reason"]:
                notes.append(Line(say("{strip} at {depth}: {why}.", strip=strip, depth=cell("soil_water_day", by[strip], "depth_cm"), why=cell("soil_water_day", by[strip], "reason"))))  # fmt: skip
        rows.append(tuple(shown))
    days = [row for by in depths.values() for row in by.values()]
    latest = cell("soil_water_day", max(days, key=lambda row: row["day"]), "day")
    caption = say("Water left on {field} on {day}, between the driest seen and the full point", field=cell("field", field, "field"), day=latest)  # fmt: skip
    return Grid(caption, tuple(heads), tuple(rows), tuple(notes))
