"""Is it wetter or drier than normal?"""

from datetime import date
from typing import Any

import numpy as np
import polars as pl
from matplotlib.axes import Axes

from flows.pages.cells import Part, Phrase, Picture, Row, say_row
from flows.pages.pictures import style
from flows.pages.published_tables import Tables, last_row
from flows.pages.reader_units import Show
from flows.pages.week import Week

QUESTION = "Is it wetter or drier than normal?"
Days = pl.DataFrame


def to_date(tables: Tables, week: Week, fields: list[str], show: Show) -> list[Picture]:
    """Draw rain since seeding beside its normal, a panel a field."""
    shown = [(field, found) for field in fields if (found := _since(tables, week, field)).height]
    if not shown:
        return []
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
            says += _to_date_in_words(row)
        picture = style.image(figure)
    return [Picture("rain", (QUESTION,), ("Rain since seeding. ", *says), picture)]


def _to_date_in_words(row: Row) -> Phrase:
    template = "{field}, {strip} strip: " if row["strip"] else "{field}, {station}: "
    template += "{season_to_date_mm}"
    if row["season_to_date_normal_mm"] is not None:
        template += ", normal {season_to_date_normal_mm}"
    return say_row("rain_day", row, template + ". ")


def _since(tables: Tables, week: Week, field: str) -> Days:
    """Return the days since seeding of the field's first station, the treated strip's."""
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
    last = (days["season_to_date_mm"][-1] * slope, normal[-1])
    ends = [float(value) if np.isfinite(value) else 0.0 for value in last]
    up, down = style.apart(ends[0], ends[1], max(ends))
    style.beside(panel, x[-1], ends[0], "rain", style.TREATED, dy=up)
    if np.isfinite(normal[-1]):
        style.beside(panel, x[-1], ends[1], "normal", style.FAINT, dy=down)
    panel.set_ylim(bottom=0)
    style.months(panel)


def by_month(tables: Tables, field: str, first: date, last: date, show: Show) -> list[Picture]:
    """Draw rain by month as bars, the normal as a line across each; part of a month is hatched."""
    months = tables("rain_month", field=field).with_columns(
        pl.date("year", "month", 1).alias("start")
    )
    months = months.filter(
        pl.col("start").is_between(first.replace(day=1), last) & pl.col("rain_mm").is_not_null()
    )
    if months.is_empty():
        return []
    rows = months.sort("coverage", "station").unique("start", keep="last").sort("start").to_dicts()
    slope, _, label, _ = show.unit_of("mm")
    says: list[Part] = []
    with style.drawn(QUESTION, 2.6, style.WIDE) as figure:
        panel = figure.subplots()
        places = [(row["year"] - first.year) * 12 + row["month"] for row in rows]
        look: style.Look = {"width": 0.62, "color": "#5d86b5", "edgecolor": style.TREATED}
        for at, row in zip(places, rows, strict=True):
            panel.bar(at, row["rain_mm"] * slope, hatch="////" if row["partial"] else None, **look)
            if row["normal_mm"] is not None:
                normal = row["normal_mm"] * slope
                panel.plot([at - 0.4, at + 0.4], [normal, normal], color="black", linewidth=2.2)
            says += _month_in_words(row)
        names = [row["start"].strftime("%Y-%m") for row in rows]
        panel.set_xticks(places, names, rotation=45 if len(rows) > 9 else 0)
        panel.set_ylabel(f"rain, {label}")
        note = "bar: rain"
        if any(row["normal_mm"] is not None for row in rows):
            note += "; black line: normal of the whole month"
        if any(row["partial"] for row in rows):
            note += "; hatched: only part of the month recorded"
            note += ", or hard to believe" if any(row["doubtful_d"] for row in rows) else ""
        panel.set_title(note, fontsize=8.5, fontweight="normal")
        picture = style.image(figure, "svg")
    return [Picture("rain-months", (QUESTION,), tuple(says), picture, "svg")]


def _month_in_words(row: Row) -> Phrase:
    template = "Month {month} of {year}: {rain_mm}"
    template += ", normal {normal_mm}" if row["normal_mm"] is not None else ""
    template += ", partial, coverage {coverage}" if row["partial"] else ""
    return say_row("rain_month", row, template + ". ")
