"""The picture of a plan: the field with its strips, and the strips side by side as a driver meets them."""

from __future__ import annotations

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path
from shapely.geometry.base import BaseGeometry

from flows.pages.cells import Picture
from flows.pages.pictures import style
from flows.setup.plan.plan import Plan
from transforms.methods.strip_layout import Strip, on_plane

WIDE = 7.2  # inches, of a printed page
HATCH = {0: "", 1: "", 2: "////"}
LABEL = {0: "check", 1: "treated", 2: "twice"}


def drawn(plan: Plan) -> Picture:
    """Draw the outline, headland, odd ground and strips, north up; beside it the strips side by side."""
    # A name that the font cannot write is left out.
    title = (f"Strips on {style.legible(plan.field, None)}, sides randomized",)
    says = tuple(f"Block {one.block}: {LABEL[one.worked]}. " for one in plan.layout.strips)
    with style.drawn(title, plan.show, 3.6, WIDE) as figure:
        field, side = figure.subplots(1, 2, width_ratios=(1.0, 1.15))
        _field(field, plan)
        _side_by_side(side, plan)
        image = style.image(figure, "svg")
    return Picture("plan", title, says, image, "svg")


def _look(strip: Strip) -> style.Look:
    side = "treated" if strip.worked else "check"
    return {
        "facecolor": style.FILL[side],
        "edgecolor": "white" if strip.worked == 2 else style.COLOR[side],
        "hatch": HATCH[strip.worked],
        "linewidth": 0.7,
    }


def _patch(shape: BaseGeometry, **look: object) -> PathPatch:
    """Return a polygon or several, with their holes, as a patch."""
    rings = [
        np.asarray(ring.coords)
        for part in shapely.get_parts(shape)
        if part.geom_type == "Polygon"
        for ring in (part.exterior, *part.interiors)
    ]
    if not rings:
        return PathPatch(Path(np.zeros((1, 2))), **look)
    return PathPatch(Path.make_compound_path(*map(Path, rings)), **look)


def _field(panel: Axes, plan: Plan) -> None:
    ground, layout = plan.ground, plan.layout
    panel.add_patch(_patch(ground.outline, facecolor="#f3f3f3", edgecolor="black", linewidth=1.2))
    panel.add_patch(_patch(layout.usable, facecolor="white", edgecolor=style.FAINT, linestyle=":"))
    if not ground.avoid.is_empty:
        odd = ground.avoid.intersection(ground.outline)
        panel.add_patch(_patch(odd, facecolor="#e4e4e4", edgecolor=style.FAINT, hatch="xx"))
    if plan.by_maps is not None and not plan.by_maps.odd.is_empty:
        panel.add_patch(
            _patch(plan.by_maps.odd, facecolor="#d9d9d9", edgecolor=style.FAINT, hatch="..")
        )
    for strip in layout.strips:
        panel.add_patch(_patch(strip.shape, **_look(strip)))
    direction = layout.design.direction_deg
    panel.plot(*on_plane(*plan.corner, direction), "o", color="black", markersize=4, zorder=5)
    style.near_point(panel, *on_plane(*plan.corner, direction), (-9, -9), "A", fontweight="bold")
    for spot in plan.spots:
        place = on_plane(spot.across_m, spot.along_m, direction)
        panel.plot(*place, "D", color="white", markeredgecolor="black", markersize=5, zorder=6)
    west, south, east, north = ground.outline.bounds
    edge = 0.06 * max(east - west, north - south)
    panel.set_xlim(west - edge, east + edge)
    panel.set_ylim(south - edge, north + edge)
    panel.set_aspect("equal")
    panel.set_axis_off()
    panel.annotate(
        "N",
        (0.03, 0.99),
        (0.03, 0.86),
        xycoords="axes fraction",
        ha="center",
        arrowprops={"arrowstyle": "->", "color": "black"},
    )
    _scale(panel, plan, (west, south - 0.5 * edge), east - west)


def _scale(panel: Axes, plan: Plan, at: tuple[float, float], room_m: float) -> None:
    """Draw a bar of a round length in the reader's unit, at most a third of the field."""
    slope, _, label, _ = plan.show.unit_of("m")
    steps = [n * 10**power for power in range(5) for n in (1, 2, 5)]
    long = max((n for n in steps if n / slope <= room_m / 3), default=1)
    panel.plot([at[0], at[0] + long / slope], [at[1], at[1]], color="black", linewidth=2)
    style.near_point(panel, at[0] + long / slope, at[1], (4, -3), f"{long:,} {label}")


def _side_by_side(panel: Axes, plan: Plan) -> None:
    slope, _, label, _ = plan.show.unit_of("m")
    right, ahead = plan.corner
    for strip in plan.layout.strips:
        left, low = (strip.across_m - right) * slope, (strip.along_m - ahead) * slope
        wide, long = strip.width_m * slope, strip.length_m * slope
        panel.add_patch(Rectangle((left, low), wide, long, **_look(strip)))
        color = "white" if strip.worked else "black"
        words = f"{strip.block} {LABEL[strip.worked]}"
        box: style.Look = {"boxstyle": "square,pad=0.15", "lw": 0, "fc": style.TREATED}
        look: style.Look = {"bbox": box} if strip.worked == 2 else {}
        panel.text(
            left + wide / 2,
            low + 0.06 * long,
            words,
            rotation=90,
            ha="center",
            va="bottom",
            color=color,
            fontsize=7.5,
            **look,
        )
    for spot in plan.spots:
        place = ((spot.across_m - right) * slope, (spot.along_m - ahead) * slope)
        panel.plot(*place, "D", color="white", markeredgecolor="black", markersize=6, zorder=6)
    panel.autoscale_view()
    panel.set_xlabel(f"from corner A to the right, {label}")
    panel.set_ylabel(f"from corner A ahead, {label}")
    panel.set_title(
        "seen along the strips, stretched; ◇ station and probe", fontsize=8.5, fontweight="normal"
    )
