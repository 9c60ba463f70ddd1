"""How much water is left at which depth, and how deep the roots of each strip are."""

from typing import Any

import numpy as np
import polars as pl
from matplotlib.axes import Axes
from numpy.typing import NDArray

from flows.pages.cells import Part, Phrase, Picture, Row, joined, say, say_row
from flows.pages.pictures import roots_week, style
from flows.pages.published_tables import Tables, last_row
from flows.pages.reader_units import Show
from flows.pages.sections.soil import STRIPS, Depths

_LEGEND = "Darker is wetter; hatched where nothing is known. "
_FRONT = (
    "The white line is the root front, the broken lines its bounds; an open arrow: deeper than the last "
    "sensor. "
)


def left(fields: dict[str, Depths], show: Show) -> Picture:
    """Draw the share of the range by depth, a panel a field, treated beside check."""
    slope, _, label, _ = show.unit_of("cm")
    title = _least_left(fields)
    with style.drawn(title, show, 0.4 + 1.9 * len(fields)) as figure:
        panels = figure.subplots(len(fields), 1, squeeze=False).flatten()
        for number, (panel, (name, depths)) in enumerate(zip(panels, fields.items(), strict=True)):
            panel.set_title(style.legible(name, number))
            _dots(panel, depths, slope)
            panel.set_ylabel(f"depth, {label}")
        picture = style.image(figure)
    says = ("Treated beside check, by depth; the numbers stand in the table below.",)
    return Picture("water-left", title, says, picture)


def _least_left(fields: dict[str, Depths]) -> Phrase:
    """Return the depth below the topmost sensors with the least water left, of all that are shown."""
    below = [
        row
        for depths in fields.values()
        for by_strip in list(depths.values())[1:]
        for row in by_strip.values()
    ]
    every = below or [row for one in fields.values() for by in one.values() for row in by.values()]
    row = min(every, key=lambda one: one["available_water_share"])
    template = "Least left{below}: {available_water_share} at {depth_cm}, {strip}"
    template += " ({field})" if len(fields) > 1 else ""
    where = " below the top sensor" if below else ""
    return say_row("soil_water_day", row, template, below=where)


def _dots(panel: Axes, depths: Depths, slope: float) -> None:
    for strip in STRIPS:
        known = [
            (depth * slope, by_strip[strip]["available_water_share"] * 100)
            for depth, by_strip in depths.items()
            if strip in by_strip
        ]
        if not known:
            continue
        y, x = zip(*known, strict=True)
        panel.plot(x, y, **style.line_of(strip), markersize=5, linewidth=1.4)
        # Labels at the two ends of the record, so that they do not meet.
        end = -1 if strip == "treated" else 0
        look = {"ha": "center", "va": "center", "color": style.COLOR[strip]}
        style.near_point(panel, x[end], y[end], (0, -9 if end else 8), strip, **look)
    most = max(depths) * slope
    panel.set_ylim(most * 1.18, -0.12 * most)
    panel.set_xlim(min(-5.0, panel.get_xlim()[0]), max(105.0, panel.get_xlim()[1]))
    for edge in (0, 100):
        panel.axvline(edge, color=style.FAINT, linewidth=0.8)
    panel.set_xticks([0, 50, 100], ["dry", "50%", "full"])


def season(tables: Tables, row: Row, show: Show) -> list[Picture]:
    """Draw water by depth through a season in each strip, the root front over it; gaps hatched."""
    end = pl.lit(row["harvested"]) if row["harvested"] else pl.col("day").max()
    days = tables("soil_water_day", field=row["field"]).filter(
        pl.col("day").is_between(row["seeded"], end) & pl.col("layer_bottom_cm").is_not_null()
    )
    strips = [
        s for s in STRIPS if days.filter(pl.col("strip") == s)["available_water_share"].count()
    ]
    if not strips:
        return []
    slope, _, label, _ = show.unit_of("cm")
    span = (days["day"].min(), days["day"].max())
    says: list[Part] = []
    title = _season_title(tables, row, strips)
    with style.drawn(title, show, 0.5 + 1.05 * len(strips)) as figure:
        panels = figure.subplots(len(strips), 1, squeeze=False, sharex=True).flatten()
        shades: Any = None
        for panel, strip in zip(panels, strips, strict=True):
            own = days.filter(pl.col("strip") == strip)
            shades = _shades(panel, own, span, slope) or shades
            says += _front(panel, tables, row, strip, slope)
            panel.set_title(f"{strip} strip")
            panel.set_ylabel(f"depth, {label}")
        bar = figure.colorbar(shades, ax=list(panels), shrink=0.8, pad=0.02)
        bar.set_ticks([0.0, 0.5, 1.0], labels=["dry", "half", "full"])
        style.months(panels[-1])
        picture = style.image(figure, "svg")
    says = [_FRONT, *says] if says else ["No root front is known."]
    return [Picture("water-season", title, (_LEGEND, *says), picture, "svg")]


def _season_title(tables: Tables, row: Row, strips: list[str]) -> Phrase:
    """Return the clearest lead of a season's roots, else how deep each strip's roots came."""
    place = {"field": row["field"], "season": row["season"]}
    title = roots_week.of_leads(tables("root_lead", **place).to_dicts(), several=False)
    if title is not None:
        return title
    found = [
        say_row("root_front_day", last, "{strip} {front_cm}" + _deeper(last))
        for strip in strips
        if (last := last_row(tables("root_front_day", **place, strip=strip).drop_nulls("front_cm")))
    ]
    if not found:
        return say("Water by depth; no root front is known")
    return say("Root front at the end: {found}", found=joined(found, last=", "))


def _deeper(row: Row) -> str:
    return " or deeper" if row["deepest_passed"] else ""


def _shades(panel: Axes, days: pl.DataFrame, span: Any, slope: float) -> Any:
    """Draw each layer's share of its range as a shade, day by day."""
    layers = days.group_by("depth_cm").agg(pl.col("layer_top_cm", "layer_bottom_cm").last())
    layers = layers.sort("depth_cm")
    calendar = pl.DataFrame({"day": pl.date_range(*span, eager=True)})
    edges = np.array([*layers["layer_top_cm"], layers["layer_bottom_cm"][-1]]) * slope
    grid: NDArray[np.float64] = np.full((layers.height, calendar.height), np.nan)
    for i, depth in enumerate(layers["depth_cm"]):
        own = days.filter(pl.col("depth_cm") == depth)
        one = calendar.join(own, on="day", how="left", maintain_order="left")
        one = one.unique("day", keep="first", maintain_order=True)
        grid[i] = one["available_water_share"].cast(pl.Float64).to_numpy()
    panel.set_facecolor("white")
    x: Any = calendar["day"].to_numpy()
    x = np.append(x, x[-1] + np.timedelta64(1, "D"))
    unknown: style.Look = {
        "facecolor": "white",
        "edgecolor": "#bbbbbb",
        "hatch": "xxx",
        "linewidth": 0,
    }
    panel.axhspan(edges[0], edges[-1], zorder=0, **unknown)
    look: style.Look = {"cmap": "cividis_r", "vmin": 0, "vmax": 1, "rasterized": True, "zorder": 1}
    shades = panel.pcolormesh(x, edges, np.ma.masked_invalid(grid), **look)
    panel.set_ylim(edges[-1], 0)
    panel.set_xlim(x[0], x[-1])
    depths = layers["depth_cm"].to_numpy() * slope
    panel.set_yticks(depths, [f"{depth:.0f}" for depth in depths])
    return shades


def _front(panel: Axes, tables: Tables, row: Row, strip: str, slope: float) -> list[Part]:
    """Draw the root front over the shades; return a sentence on its deepest day."""
    front = tables("root_front_day", field=row["field"], season=row["season"], strip=strip)
    front = front.filter(pl.col("front_cm").is_not_null()).sort("day")
    if front.is_empty():
        return []
    passed = front.filter(pl.col("deepest_passed").fill_null(False))["day"].min()
    known = front.filter(pl.col("day") <= passed) if passed is not None else front
    x: Any = known["day"].to_numpy()
    for end in ("front_low_cm", "front_high_cm"):
        bound = known[end].cast(pl.Float64).to_numpy() * slope
        panel.plot(x, bound, color="white", linewidth=2.4, zorder=2)
        panel.plot(x, bound, color="black", linewidth=0.8, linestyle=(0, (3, 2)), zorder=3)
    panel.plot(x, known["front_cm"].to_numpy() * slope, color="black", linewidth=4.2, zorder=4)
    look: style.Look = {"linewidth": 2.2, "zorder": 5, "markeredgecolor": "black"}
    end_x, end_y, opened = roots_week.line(panel, front, slope, color="white", **look)
    box = {"facecolor": "white", "edgecolor": "none", "pad": 1.5}
    names: style.Look = {"zorder": 6, "bbox": box}
    middle = len(x) // 2
    at = known["front_cm"][middle] * slope
    style.near_point(panel, x[middle], at, (8, 10), "root front", **names)
    high = known["front_high_cm"].cast(pl.Float64).to_numpy() * slope
    bounded = np.flatnonzero(np.isfinite(high))
    if bounded.size:
        place = bounded[3 * bounded.size // 4]
        style.near_point(panel, x[place], high[place], (-8, -14), "bound", ha="right", **names)
    if opened:
        style.near_point(panel, end_x, end_y, (8, -4), "deeper", **names)
    deepest = front.sort("front_cm", "day", descending=[False, True]).to_dicts()[-1]
    template = "In the {strip} strip the front was deepest at {front_cm} on {day}. "
    return list(say_row("root_front_day", deepest, template, strip=strip))
