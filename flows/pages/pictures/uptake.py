"""Which depth did the water come from?"""

from __future__ import annotations

from matplotlib.axes import Axes

from flows.pages.cells import Part, Picture, Row, cell, say
from flows.pages.pictures import style
from flows.pages.reader_units import Show
from flows.pages.sections.soil import STRIPS

QUESTION = "Which depth did the water come from?"


def of_week(fields: dict[str, list[Row]], show: Show) -> Picture:
    """A week's uptake by depth, a panel a field."""
    with style.drawn(QUESTION, 0.4 + 1.9 * len(fields)) as figure:
        panels = figure.subplots(len(fields), 1, squeeze=False).flatten()
        for number, (panel, (name, taken)) in enumerate(zip(panels, fields.items(), strict=True)):
            panel.set_title(style.legible(name, number))
            _bars(panel, taken, show)
        picture = style.image(figure)
    says = ("Treated beside check, by depth; the numbers stand in the table below.",)
    return Picture("uptake-week", (QUESTION,), says, picture)


def of_season(rows: list[Row], show: Show) -> Picture:
    """A season's uptake by depth in one field."""
    with style.drawn(QUESTION, 2.9, style.WIDE) as figure:
        _bars(figure.subplots(), rows, show)
        picture = style.image(figure, "svg")
    return Picture("uptake-season", (QUESTION,), tuple(_told("drawdown_season", rows)), picture, "svg")  # fmt: skip


def _bars(panel: Axes, rows: list[Row], show: Show) -> None:
    """Treated above check at each depth, each with its 95 % interval; an open place where none."""
    depths = sorted({row["depth_cm"] for row in rows})
    mm, _, label, _ = show.unit_of("mm")
    cm, _, deep, _ = show.unit_of("cm")
    by = {(row["strip"], row["depth_cm"]): row for row in rows}
    named: set[str] = set()
    longest = max((row["uptake_mm"] or 0.0) for row in rows) * mm
    for i, depth in enumerate(depths):
        for strip, shift in (("treated", -0.2), ("check", 0.2)):
            row = by.get((strip, depth))
            if row is None or row["uptake_mm"] is None:
                continue
            value = row["uptake_mm"] * mm
            error = 1.96 * (row["uptake_error_mm"] or 0.0) * mm
            panel.barh(i + shift, value, height=0.36, facecolor=style.FILL[strip], edgecolor=style.COLOUR[strip], linewidth=1.2, hatch=None if strip == "treated" else "///", xerr=error or None, error_kw={"elinewidth": 1, "ecolor": "black", "capsize": 2})  # fmt: skip
            if strip not in named and value > 0.4 * longest:
                style.beside(panel, value + error, i + shift, strip, style.COLOUR[strip])
                named.add(strip)
    for number, strip in enumerate(s for s in STRIPS if s not in named and any(r["strip"] == s for r in rows)):  # fmt: skip
        panel.annotate(strip, (0.98, 0.06 + 0.08 * number), xycoords="axes fraction", ha="right", color=style.COLOUR[strip], fontsize=8.5)  # fmt: skip
    panel.set_yticks(range(len(depths)), [f"{d * cm:.0f} {deep}" for d in depths])
    panel.set_ylim(len(depths) - 0.4, -0.6)
    panel.axvline(0, color=style.FAINT, linewidth=0.8)
    panel.set_xlabel(f"water taken up, {label}; line: 95 % interval, where known")
    panel.set_xlim(right=1.25 * max(longest, panel.get_xlim()[1] / 1.1, 1e-9))


def _told(table: str, rows: list[Row]) -> list[Part]:
    says: list[Part] = []
    for row in rows:
        given = {n: cell(table, row, n) for n in ("strip", "depth_cm", "uptake_mm")}
        says += say("{strip} at {depth_cm}: {uptake_mm}. ", **given)
    return says
