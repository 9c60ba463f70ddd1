"""The printed sheet of a plan: caution, picture, how to find each strip, what to do in which order."""

from __future__ import annotations

from math import isfinite

import shapely

from flows.base.plain_text import counted
from flows.pages import render
from flows.pages.reader_units import fixed
from flows.setup.plan import evidence, picture
from flows.setup.plan.by_maps import ByMaps
from flows.setup.plan.evidence import Asked
from flows.setup.plan.lengths import shown
from flows.setup.plan.plan import Plan
from transforms.methods.strip_layout import SHORTER, on_plane
from transforms.trial.methods.new_site_year import Scatter

CAUTION = (
    "Before any work: have buried utilities located (811 in the US, Click Before You Dig in Canada), and "
    "private lines, drains and cables too. Local rules and licensed people decide."
)
SPOTS = (
    "Set a station and a probe in each strip of one block, at the same depths, in the middle of the strip's "
    "width, as far along in each (◇). Look before you dig: move all of them the same way if the soil differs "
    "there, if it is a low spot or a wheel track, or if a line was located near by."
)
WORDS = {0: "check", 1: "work once", 2: "work twice"}


def html(plan: Plan, scatter: Scatter, asked: Asked) -> str:
    """Return the sheet as one HTML page that needs no other file and prints on one page."""
    template = render.environment(plan.show, render.data_uri).get_template("plan.html")
    return template.render(
        title=f"Plan of the strips on {plan.field}",
        farm=plan.farm_name,
        caution=CAUTION,
        picture=picture.drawn(plan),
        sentences=sentences(plan),
        heads=strip_heads(plan),
        strips=strip_rows(plan),
        evidence=evidence.sentences(plan, scatter, asked),
        found_caption=evidence.caption(plan, asked),
        found_heads=evidence.heads(),
        found=evidence.rows(plan, scatter, asked),
        corner=corner_words(plan),
        spot_heads=spot_heads(plan),
        spots=spot_rows(plan),
        spot_words=SPOTS,
    )


def sentences(plan: Plan) -> list[str]:
    """Return what the plan is and how to use it, for the sheet and the command line."""
    design, width, show = plan.layout.design, plan.layout.width, plan.show
    many = len(design.worked)
    wide = shown(width.width_m, "m", show)
    fills = [
        f"{counted(number, 'pass')} of the {machine} ({shown(each, 'm', show)})"
        for number, each, machine in (
            (width.header_passes, design.header_m, "header"),
            (width.implement_passes, design.implement_m or 0.0, "implement"),
        )
        if number
    ]
    kind = f"{many} strips side by side" if many == 2 else "three strips, the check in the middle"
    said = [
        f"{counted(design.blocks, 'block')} of {kind}. Each strip is {wide} wide: {', '.join(fills)}.",
        f"Between strips a border of {shown(design.border_m, 'm', show)} is left: it is not weighed. No strip "
        f"is within {shown(design.headland_m, 'm', show)} of the field's edge (headland).",
        f"The strips run at {fixed(design.direction_deg, 1)}° from north (or the opposite way)"
        + (", along the field's longest side." if plan.proposed_direction else "."),
        *_maps(plan),
        _harvest(plan),
        f"A coin drew the sides (seed {plan.seed}; the same seed gives the same sides). Do not swap them "
        "in the field: a side that was chosen tells less.",
    ]
    if many > 2:
        said.append(
            "The strip worked twice is compared with the check and with the strip worked once, so its second "
            "working has an answer of its own. Enter each working on the sheet operations, with the strip's "
            "name: one row for the strip worked once, two rows with their days for the strip worked twice."
        )
    if not plan.in_book:
        said.append(
            f"The field book has no field {plan.field} yet: add a row for it on the sheet fields, with the "
            "practice, before the rows of strips.csv."
        )
    return said


def _maps(plan: Plan) -> list[str]:
    """Return which maps the strips were laid by, and what they show."""
    found = plan.by_maps
    if found is None:
        return []
    said = []
    if found.used.names:
        names = ", ".join(found.used.names)
        said.append(
            f"The strips were laid by maps of the field ({names}). By them, the sides of a block differ by "
            f"{fixed(found.unlike, 2)} of the field's standard deviation (without the maps: "
            f"{fixed(found.plain, 2)})."
            if isfinite(found.unlike + found.plain)
            else f"The maps of the field ({names}) say nothing where the strips lie."
        )
        said.append(_trusted(found))
    if found.used.left_out:
        said.append(f"Maps that were not used: {', '.join(found.used.left_out)}.")
    if not found.odd.is_empty:
        area = shown(found.odd.area / 10_000, "hectare", plan.show, 1)
        kept = (
            "no strip lies on it"
            if found.left_out
            else ("the strips would be much shorter without it, so look at it before you work")
        )
        said.append(f"Odd ground by the maps (dotted): {area}; {kept}.")
    if isfinite(found.apart):
        said.append(
            "Station and probes have places where the maps show the same ground in each strip, typical of "
            f"the strip (within {fixed(found.apart, 2)} of the field's standard deviation)."
        )
    return said


def _trusted(found: ByMaps) -> str:
    """Return how far the maps are trusted."""
    names, harvest = found.used.names, found.used.maps.harvest
    if harvest is None:
        return (
            "Whether the yield follows these maps is not known. If it does not, nothing is won by them, and "
            f"the strips may be up to {fixed(100 * SHORTER, 0)}% shorter than without them. A map of an earlier "
            "harvest in yieldmaps would say how much they count."
        )
    others = [
        f"{names[one]} {fixed(100 * much, 0)}%"
        for one, much in found.counts.items()
        if one != harvest
    ]
    if not others:
        return (
            "What neighboring strips differ by in one harvest may not come back in the next: the blocks and "
            "the coin still carry the answer."
        )
    return (
        f"Beside the earlier harvest the other maps count by the share of its differences between "
        f"neighboring strips that they explain: {', '.join(others)}."
    )


def _harvest(plan: Plan) -> str:
    design, width = plan.layout.design, plan.layout.width
    if design.across:
        return (
            "Harvest across the strips: each pass of the header crosses every strip of its block, and is "
            "weighed (or mapped) strip by strip. Give each pass its block number from this sheet."
        )
    passes = counted(width.header_passes or 1, "pass")
    return (
        f"Harvest along the strips: {passes} of the header in each, weighed by strip. Give each pass its "
        "block number from this sheet."
    )


def strip_heads(plan: Plan) -> tuple[str, ...]:
    """Return the headings of the table of strips."""
    _, _, label, _ = plan.show.unit_of("m")
    _, _, area, _ = plan.show.unit_of("hectare")
    return (*_from_corner(label), f"Length, {label}", f"Area, {area}")


def _from_corner(label: str) -> tuple[str, ...]:
    return ("Block", "Strip", f"Right, {label}", f"Ahead, {label}")


def strip_rows(plan: Plan) -> list[tuple[str, ...]]:
    """Return each strip: its block, what to do, its near left corner from A, its length and area."""
    show = plan.show
    long, wide = show.unit_of("m")[0], show.unit_of("hectare")[0]
    right, ahead = plan.corner
    return [
        (
            str(one.block),
            WORDS[one.worked],
            fixed((one.across_m - right) * long, 1),
            fixed((one.along_m - ahead) * long, 1),
            fixed(one.length_m * long, 1),
            fixed(one.width_m * one.length_m / 10_000 * wide, 2),
        )
        for one in plan.layout.strips
    ]


def corner_words(plan: Plan) -> str:
    """Return where corner A is and how distances are taken from it."""
    east, north = on_plane(*plan.corner, plan.layout.design.direction_deg)
    place = plan.ground.on_globe(shapely.Point(east, north))
    return (
        f"A is the corner of the outline at {place.y:.6f}, {place.x:.6f} (latitude, longitude). Stand at A and "
        "look along the strips: distances go to the right (minus: to the left) and straight ahead (minus: "
        "behind) to the near left corner of each strip."
    )


def spot_heads(plan: Plan) -> tuple[str, ...]:
    """Return the headings of the table of places for instruments."""
    _, _, label, _ = plan.show.unit_of("m")
    return (*_from_corner(label), "Latitude", "Longitude")


def spot_rows(plan: Plan) -> list[tuple[str, ...]]:
    """Return each place for a station and a probe, from corner A and in degrees (WGS 84)."""
    slope, _, _, _ = plan.show.unit_of("m")
    right, ahead = plan.corner
    rows: list[tuple[str, ...]] = []
    for spot in plan.spots:
        at = on_plane(spot.across_m, spot.along_m, plan.layout.design.direction_deg)
        place = plan.ground.on_globe(shapely.Point(at))
        rows.append(
            (
                str(spot.strip.block),
                WORDS[spot.strip.worked],
                fixed((spot.across_m - right) * slope, 1),
                fixed((spot.along_m - ahead) * slope, 1),
                f"{place.y:.6f}",
                f"{place.x:.6f}",
            )
        )
    return rows
