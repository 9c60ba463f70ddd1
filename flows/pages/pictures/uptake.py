"""The depths that the water came from, treated beside check."""

from matplotlib.axes import Axes

from flows.pages.cells import Phrase, Picture, Row, cell, say, say_row
from flows.pages.pictures import style
from flows.pages.reader_units import Show
from flows.pages.sections.soil import STRIPS
from transforms.methods.normal_range import Z_95

_LOOK: dict[str, style.Look] = {
    strip: {
        "height": 0.36,
        "facecolor": style.FILL[strip],
        "edgecolor": style.COLOR[strip],
        "linewidth": 1.2,
        "hatch": hatch,
        "error_kw": {"elinewidth": 1, "ecolor": "black", "capsize": 2},
    }
    for strip, hatch in (("treated", None), ("check", "///"))
}


def of_week(fields: dict[str, list[Row]], show: Show) -> Picture:
    """Draw a week's uptake by depth, a panel a field."""
    every = [row for taken in fields.values() for row in taken]
    title = _title("drawdown_week", every, several=len(fields) > 1)
    with style.drawn(title, show, 0.4 + 1.9 * len(fields)) as figure:
        panels = figure.subplots(len(fields), 1, squeeze=False).flatten()
        for number, (panel, (name, taken)) in enumerate(zip(panels, fields.items(), strict=True)):
            panel.set_title(style.legible(name, number))
            _bars(panel, taken, show)
        picture = style.image(figure)
    says = ("Treated beside check, by depth; the numbers stand in the table below.",)
    return Picture("uptake-week", title, says, picture)


def of_season(rows: list[Row], show: Show) -> Picture:
    """Draw a season's uptake by depth in one field."""
    title = _title("drawdown_season", rows, several=False)
    with style.drawn(title, show, 2.2) as figure:
        _bars(figure.subplots(), rows, show)
        picture = style.image(figure, "svg")
    template = "{strip} at {depth_cm}: {uptake_mm}. "
    says = tuple(part for row in rows for part in say_row("drawdown_season", row, template))
    return Picture("uptake-season", title, says, picture, "svg")


def _title(table: str, rows: list[Row], *, several: bool) -> Phrase:
    """Return the depth at which the strips' uptake differs most; only a difference clear of its error."""
    by: dict[tuple[str, float], dict[str, Row]] = {}
    for row in rows:
        by.setdefault((row["field"], row["depth_cm"]), {})[row["strip"]] = row
    pairs = [(own["treated"], own["check"]) for own in by.values() if len(own) == len(STRIPS)]
    clear = [pair for pair in pairs if _differs(*pair)]
    if not clear:
        return say("Uptake of the two strips is alike at every depth that can be told")
    treated, check = max(clear, key=lambda pair: abs(pair[0]["uptake_mm"] - pair[1]["uptake_mm"]))
    template = "At {depth_cm} treated took {uptake_mm}, check {other}"
    other = cell(table, check, "uptake_mm")
    return say_row(table, treated, template + (" ({field})" if several else ""), other=other)


def _differs(treated: Row, check: Row) -> bool:
    """Return whether two uptakes differ by more than two standard errors of their difference."""
    known = ("uptake_mm", "uptake_error_mm")
    if any(row[column] is None for row in (treated, check) for column in known):
        return False
    error = (treated["uptake_error_mm"] ** 2 + check["uptake_error_mm"] ** 2) ** 0.5
    return bool(abs(treated["uptake_mm"] - check["uptake_mm"]) > 2 * error)


def _bars(panel: Axes, rows: list[Row], show: Show) -> None:
    """Draw treated above check at each depth with 95% intervals; no bar where nothing is known."""
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
            error = Z_95 * (row["uptake_error_mm"] or 0.0) * mm
            panel.barh(i + shift, value, xerr=error or None, **_LOOK[strip])
            if strip not in named and value > 0.4 * longest:
                style.beside(panel, value + error, i + shift, strip, style.COLOR[strip])
                named.add(strip)
    corner: style.Look = {"xycoords": "axes fraction", "ha": "right", "fontsize": 8.5}
    unnamed = [s for s in STRIPS if s not in named and any(row["strip"] == s for row in rows)]
    for number, strip in enumerate(unnamed):
        panel.annotate(strip, (0.98, 0.06 + 0.08 * number), color=style.COLOR[strip], **corner)
    panel.set_yticks(range(len(depths)), [f"{d * cm:.0f} {deep}" for d in depths])
    panel.set_ylim(len(depths) - 0.4, -0.6)
    panel.axvline(0, color=style.FAINT, linewidth=0.8)
    panel.set_xlabel(f"water taken up, {label}; line: 95% interval, where known")
    panel.set_xlim(right=1.25 * max(longest, panel.get_xlim()[1] / 1.1, 1e-9))
