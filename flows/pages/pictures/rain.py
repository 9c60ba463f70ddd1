"""Rain of both strips against normal: since seeding, and by month."""

from datetime import date
from textwrap import fill
from typing import Any

import numpy as np
import polars as pl
from matplotlib.axes import Axes

from flows.pages.cells import MONTHS, Frame, Part, Phrase, Picture, Row, cell, say, say_row
from flows.pages.pictures import style
from flows.pages.published_tables import Tables, last_row
from flows.pages.reader_units import Show
from flows.pages.sections.soil import STRIPS
from flows.pages.week import Week

Days = pl.DataFrame
SHORT = "#dcdcdc"
_LEGEND = "Rain since seeding beside its normal; shaded: short of normal. "


def to_date(tables: Tables, week: Week, fields: list[str], show: Show) -> list[Picture]:
    """Draw rain since seeding of both strips beside its normal, a panel a field; the deficit is shaded."""
    found = {field: _since(tables, week, field) for field in fields}
    shown = {field: stations for field, stations in found.items() if stations}
    if not shown:
        return []
    slope, _, label, _ = show.unit_of("mm")
    last = [row for own in shown.values() for days in own if (row := last_row(days)) is not None]
    title = _title(last, show)
    with style.drawn(title, show, 0.4 + 1.55 * len(shown)) as figure:
        panels = figure.subplots(len(shown), 1, squeeze=False).flatten()
        for number, (panel, (field, own)) in enumerate(zip(panels, shown.items(), strict=True)):
            panel.set_title(style.legible(field, number))
            _curves(panel, own, slope)
            panel.set_ylabel(label)
        picture = style.image(figure)
    return [Picture("rain", title, (_LEGEND,), picture)]


def _title(rows: list[Row], show: Show) -> Phrase:
    """Return what the curves show: the least and the most of normal; without one, the most rain."""
    known = [row for row in rows if row["season_to_date_of_normal_pct"] is not None]
    if not known:
        most = max(rows, key=lambda row: row["season_to_date_mm"])
        return say_row("rain_day", most, "Rain since seeding: up to {season_to_date_mm}")
    column = "season_to_date_of_normal_pct"
    low, high = (pick(known, key=lambda row: row[column]) for pick in (min, max))
    ends = [cell("rain_day", row, column) for row in (low, high)]
    if show.cell(ends[0]) == show.cell(ends[1]):
        return say("Rain since seeding: {share} of normal", share=ends[1])
    return say("Rain since seeding: {low} to {high} of normal", low=ends[0], high=ends[1])


def _since(tables: Tables, week: Week, field: str) -> list[Days]:
    """Return the days since seeding of the first station of each strip, treated first."""
    season = tables.season_on(field, week.sunday)
    if season is None:
        return []
    days = tables("rain_day", field=field, season=season["season"]).filter(
        (pl.col("day") <= week.sunday) & pl.col("season_to_date_mm").is_not_null()
    )
    out: list[Days] = []
    for strip in (*STRIPS, None):
        own = days.filter(pl.col("strip").eq_missing(pl.lit(strip, pl.String)))
        names = own["station"].unique().sort()
        if len(names) and (strip is not None or not out):
            out.append(own.filter(pl.col("station") == names[0]).sort("day"))
    return out


def _curves(panel: Axes, stations: list[Days], slope: float) -> None:
    """Draw each station's rain since seeding, the normal, and shade what the first lacks of it."""
    ends: list[tuple[float, str, str]] = []
    for number, days in enumerate(stations):
        strip = days["strip"][0] or STRIPS[0]
        x: Any = days["day"].to_numpy()
        recorded = days["rain_coverage"].to_numpy() > 0
        rain = np.where(recorded, days["season_to_date_mm"].to_numpy() * slope, np.nan)
        if number == 0:
            normal = days["season_to_date_normal_mm"].cast(pl.Float64).to_numpy() * slope
            panel.fill_between(x, rain, normal, where=rain < normal, color=SHORT, linewidth=0)
            panel.plot(x, normal, color=style.FAINT, linestyle=(0, (1, 1.5)), linewidth=1.6)
            if np.isfinite(normal[-1]):
                ends.append((float(normal[-1]), "normal", style.FAINT))
        look: style.Look = {"color": style.COLOR[strip], "linestyle": style.STROKE[strip]}
        panel.plot(x, rain, linewidth=2 - 0.4 * number, **look)
        name = days["strip"][0] or "rain"
        ends.append((float(days["season_to_date_mm"][-1]) * slope, name, style.COLOR[strip]))
    panel.set_ylim(bottom=0)
    style.beside_each(panel, stations[0]["day"].to_numpy()[-1], ends)
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
    title = _month_title(rows)
    with style.drawn(title, show, 2.2) as figure:
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
        panel.set_xticks(places, names, rotation=45 if len(rows) > 5 else 0)
        panel.set_ylabel(f"rain, {label}")
        note = "bar: rain"
        if any(row["normal_mm"] is not None for row in rows):
            note += "; black line: normal of the whole month"
        if any(row["partial"] for row in rows):
            note += "; hatched: only part of the month recorded"
            note += ", or hard to believe" if any(row["doubtful_d"] for row in rows) else ""
        panel.set_title(fill(note, 60), fontsize=8.5, fontweight="normal")
        picture = style.image(figure, "svg")
    return [Picture("rain-months", title, tuple(says), picture, "svg")]


def _month_title(rows: list[Row]) -> Phrase:
    """Return the whole month that was farthest from its normal; without one, the wettest month."""
    whole = [row for row in rows if row["normal_mm"] is not None and not row["partial"]]
    if not whole:
        most = max(rows, key=lambda row: row["rain_mm"])
        return say_row("rain_month", most, "Most rain in {month}: {rain_mm}", month=_month(most))
    far = max(whole, key=lambda row: abs(row["rain_mm"] - row["normal_mm"]))
    return say_row(
        "rain_month",
        far,
        "Farthest from normal in {month}: {rain_mm} of rain, normal {normal_mm}",
        month=_month(far),
    )


def _month(row: Row) -> Frame:
    return Frame(f"{MONTHS[row['month'] - 1]} {row['year']}")


def _month_in_words(row: Row) -> Phrase:
    template = "{month_name}: {rain_mm}"
    template += ", normal {normal_mm}" if row["normal_mm"] is not None else ""
    template += ", partial, coverage {coverage}" if row["partial"] else ""
    return say_row("rain_month", row, template + ". ", month_name=_month(row))
