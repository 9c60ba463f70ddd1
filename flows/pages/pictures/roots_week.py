"""How deep the roots of both strips are, day by day, and which strip is ahead."""

from dataclasses import dataclass
from typing import Any

import polars as pl
from matplotlib.axes import Axes

from flows.pages.cells import Phrase, Picture, Row, say, say_row
from flows.pages.pictures import style
from flows.pages.published_tables import Tables
from flows.pages.reader_units import Show
from flows.pages.sections import glance
from flows.pages.sections.soil import STRIPS
from flows.pages.week import Week

_NOT_CLEAR = "Neither strip's roots are clearly ahead"
_LEGEND = (
    "Depth of the root front by day; treated a full line, check a broken one. Open at the end: deeper "
    "than the last sensor that can tell. "
)
_HEIGHT = 1.65


@dataclass(frozen=True, slots=True)
class _Panel:
    """One field's fronts up to the week's end."""

    field: str
    season: Row
    fronts: pl.DataFrame


def fronts(tables: Tables, week: Week, fields: list[str], show: Show) -> list[Picture]:
    """Draw the root fronts of a week, a panel a field; nothing if none is known."""
    panels = [one for field in fields if (one := _panel(tables, week, field)) is not None]
    if not panels:
        return []
    slope, _, label, _ = show.unit_of("cm")
    title = _title(tables, week, panels)
    with style.drawn(title, show, 0.4 + _HEIGHT * len(panels)) as figure:
        axes = figure.subplots(len(panels), 1, squeeze=False).flatten()
        for number, (panel, one) in enumerate(zip(axes, panels, strict=True)):
            panel.set_title(style.legible(one.field, number))
            _draw(panel, one.fronts, slope)
            panel.set_ylabel(f"depth, {label}")
        picture = style.image(figure)
    return [Picture("roots", title, (_LEGEND,), picture)]


def _panel(tables: Tables, week: Week, field: str) -> _Panel | None:
    season = tables.season_on(field, week.sunday)
    if season is None:
        return None
    days = tables("root_front_day", field=field, season=season["season"]).filter(
        (pl.col("day") <= week.sunday) & pl.col("front_cm").is_not_null()
    )
    return _Panel(field, season, days.sort("day")) if days.height else None


def _draw(panel: Axes, days: pl.DataFrame, slope: float) -> None:
    """Draw both strips' fronts beside their names."""
    ends = []
    for strip in STRIPS:
        own = days.filter(pl.col("strip") == strip)
        if own.is_empty():
            continue
        ends.append((strip, *line(panel, own, slope, **_look(strip))))
    deepest = max(float(days["front_cm"].max()) * slope, 1.0)  # type: ignore[arg-type]
    panel.set_ylim(1.3 * deepest, 0)
    up, down = style.apart(-ends[0][2], -ends[-1][2], deepest) if len(ends) > 1 else (0.0, 0.0)
    for (strip, x, y, opened), dy in zip(ends, (up, down), strict=False):
        name = f"{strip}, deeper" if opened else strip
        style.beside(panel, x, y, name, style.COLOR[strip], dy=dy)
    style.months(panel)


def _look(strip: str) -> style.Look:
    return {"color": style.COLOR[strip], "linestyle": style.STROKE[strip], "linewidth": 2}


def line(panel: Axes, days: pl.DataFrame, slope: float, **look: Any) -> tuple[Any, float, bool]:
    """Draw one front by day; where it passed the last sensor it ends in an open arrow down, not flat.

    Returns the place of its end, and whether it is open. Rows are by day, with a known ``front_cm``.
    """
    passed = days.filter(pl.col("deepest_passed").fill_null(False))
    opened = not passed.is_empty()
    if opened:
        days = days.filter(pl.col("day") <= passed["day"].min())
    x: Any = days["day"].to_numpy()
    y = days["front_cm"].to_numpy() * slope
    panel.plot(x, y, **look)
    if opened:
        mark: style.Look = {"markerfacecolor": "white", "markersize": 7, "linestyle": "none"}
        panel.plot(x[-1], y[-1], marker="v", **{**look, **mark})
    return x[-1], float(y[-1]), opened


# ---- the title -------------------------------------------------------------------------------


def _title(tables: Tables, week: Week, panels: list[_Panel]) -> Phrase:
    """Return what the fronts show: the clearest lead, else a strip that was first, else that none is."""
    found = [glance.lead_rows(tables, week, one.season) for one in panels]
    several = len(panels) > 1
    title = of_leads([row for row, _ in found if row is not None], several)
    if title is not None:
        return title
    place = " first at {depth_cm}" + (" on {field}" if several else "")
    for _, first in found:
        if first is not None:
            row, strip = first
            return say_row("root_lead", row, f"{strip.capitalize()} roots" + place)
    return say(_NOT_CLEAR)


def of_leads(rows: list[Row], several: bool) -> Phrase | None:
    """Return the largest lead whose interval leaves out zero, in words; None if there is none."""
    clear = [
        row
        for row in rows
        if row["lead_d"] is not None
        and None not in (row["lead_low_d"], row["lead_high_d"])
        and (row["lead_low_d"] > 0 or row["lead_high_d"] < 0)
    ]
    if not clear:
        return None
    row = max(clear, key=lambda one: abs(one["lead_d"]))
    place = " at {depth_cm}" + (" on {field}" if several else "")
    if row["lead_d"] > 0:
        return say_row(
            "root_lead",
            row,
            "Treated roots {lead_d} ahead" + place + " ({lead_low_d:bare} to {lead_high_d})",
        )
    return say_row(
        "root_lead",
        row,
        "Check roots ahead"
        + place
        + ": lead of the treated {lead_d} ({lead_low_d:bare} to {lead_high_d})",
    )
