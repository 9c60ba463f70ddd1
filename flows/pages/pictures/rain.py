"""Is it wetter or drier than normal?"""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np
import polars as pl
from matplotlib.axes import Axes

from flows.pages.cells import Part, Picture, Row, cell, say
from flows.pages.pictures import style
from flows.pages.published_tables import Tables, last_row
from flows.pages.reader_units import Show
from flows.pages.week import Week

QUESTION = "Is it wetter or drier than normal?"
Days = pl.DataFrame


def to_date(tables: Tables, week: Week, fields: list[str], show: Show) -> Picture | None:
    """Rain since seeding beside its normal, a panel a field."""
    shown = [(field, found) for field in fields if (found := _since(tables, week, field)).height]
    if not shown:
        return None
    slope, _, label, _ = show.unit_of("mm")
    says: list[Part] = []
    with style.drawn(QUESTION, 0.4 + 1.55 * len(shown)) as figure:
        panels = figure.subplots(len(shown), 1, squeeze=False).flatten()
        for number, (panel, (field, days)) in enumerate(zip(panels, shown, strict=True)):
            panel.set_title(style.legible(field, number))
            _curves(panel, days, slope)
            panel.set_ylabel(label)
            row = last_row(days)
            assert row is not None
            says += _told(row)
        picture = style.image(figure)
    return Picture("rain", (QUESTION,), ("Rain since seeding. ", *says), picture)


def _told(row: Row) -> tuple[Part, ...]:
    given = {n: cell("rain_day", row, n) for n in ("field", "strip", "season_to_date_mm", "season_to_date_normal_mm")}  # fmt: skip
    told = "{field}, {strip} strip: {season_to_date_mm}"
    if given["season_to_date_normal_mm"].known:
        told += ", normal {season_to_date_normal_mm}"
    return say(told + ". ", **given)


def _since(tables: Tables, week: Week, field: str) -> Days:
    """The days since seeding of the field's first station, the treated strip's."""
    season = tables.season_on(field, week.sunday)
    if season is None:
        return tables("rain_day").head(0)
    days = tables("rain_day", field=field, season=season["season"]).filter(
        (pl.col("day") <= week.sunday) & pl.col("season_to_date_mm").is_not_null()
    )
    names = days.sort("strip", "station", descending=[True, False])["station"]
    return days.filter(pl.col("station") == names[0]).sort("day") if days.height else days


def _curves(panel: Axes, days: Days, slope: float) -> None:
    recorded = days["rain_coverage"].to_numpy() > 0
    x: Any = days["day"].to_numpy()
    rain = np.where(recorded, days["season_to_date_mm"].to_numpy() * slope, np.nan)
    normal = days["season_to_date_normal_mm"].cast(pl.Float64).to_numpy() * slope
    panel.plot(x, normal, color=style.FAINT, linestyle=(0, (1, 1.5)), linewidth=1.6)
    panel.plot(x, rain, color=style.TREATED, linewidth=2)
    ends = [float(v) if np.isfinite(v) else 0.0 for v in (days["season_to_date_mm"][-1] * slope, normal[-1])]  # fmt: skip
    up, down = style.apart(ends[0], ends[1], max(ends))
    style.beside(panel, x[-1], ends[0], "rain", style.TREATED, dy=up)
    if np.isfinite(normal[-1]):
        style.beside(panel, x[-1], ends[1], "normal", style.FAINT, dy=down)
    panel.set_ylim(bottom=0)
    style.months(panel)


def by_month(tables: Tables, field: str, first: date, last: date, show: Show) -> Picture | None:
    """Rain by month as bars, the normal as a line across each; a part of a month is hatched."""
    months = tables("rain_month", field=field).with_columns(
        pl.date("year", "month", 1).alias("start")
    )
    months = months.filter(
        pl.col("start").is_between(first.replace(day=1), last) & pl.col("rain_mm").is_not_null()
    )
    if months.is_empty():
        return None
    rows = months.sort("coverage", "station").unique("start", keep="last").sort("start").to_dicts()
    slope, _, label, _ = show.unit_of("mm")
    says: list[Part] = []
    with style.drawn(QUESTION, 2.6, style.WIDE) as figure:
        panel = figure.subplots()
        for row in rows:
            at = (row["year"] - first.year) * 12 + row["month"]
            part = bool(row["partial"])
            panel.bar(at, row["rain_mm"] * slope, width=0.62, color="#5d86b5", edgecolor=style.TREATED, hatch="////" if part else None)  # fmt: skip
            if row["normal_mm"] is not None:
                panel.plot([at - 0.4, at + 0.4], [row["normal_mm"] * slope] * 2, color="black", linewidth=2.2)  # fmt: skip
            says += _month(row)
        at = [(row["year"] - first.year) * 12 + row["month"] for row in rows]
        panel.set_xticks(at, [row["start"].strftime("%Y-%m") for row in rows], rotation=45 if len(rows) > 9 else 0)  # fmt: skip
        panel.set_ylabel(f"rain, {label}")
        note = "bar: rain; black line: normal of the whole month"
        if any(row["partial"] for row in rows):
            note += "; hatched: only part of the month recorded"
        panel.set_title(note, fontsize=8.5, fontweight="normal")
        picture = style.image(figure, "svg")
    return Picture("rain-months", (QUESTION,), tuple(says), picture, "svg")


def _month(row: Row) -> tuple[Part, ...]:
    given = {n: cell("rain_month", row, n) for n in ("year", "month", "rain_mm", "normal_mm", "coverage")}  # fmt: skip
    told = "Month {month} of {year}: {rain_mm}"
    told += ", normal {normal_mm}" if given["normal_mm"].known else ""
    told += ", partial, coverage {coverage}" if row["partial"] else ""
    return say(told + ". ", **given)
