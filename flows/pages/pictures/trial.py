"""The yield response of every site-year, and the money since each working."""

import polars as pl
from matplotlib.axes import Axes

from flows.pages.cells import Part, Phrase, Picture, Row, say_row
from flows.pages.pictures import style
from flows.pages.published_tables import Tables
from flows.pages.reader_units import Show

_ALL_TOGETHER = (
    "All together {response_pct:+} (95% interval {verdict_low_pct:+} to {verdict_high_pct:+})."
)
_PERCENT = Show()  # shares need no units
_RESPONSE_AXIS = "treated minus check, % of the check's yield\nline: 95% interval; filled: shown, open: not shown"


def responses(rows: list[Row], pooled: Row | None, show: Show = _PERCENT) -> list[Picture]:
    """Draw responses in percent of the check with their intervals; below, all of them together."""
    rows = [row for row in rows if row["response_pct"] is not None]
    if not rows:
        return []
    says: list[Part] = []
    title = _response_title(rows, pooled)
    names = sorted({row["field"] for row in rows})
    legible = {name: style.in_lines(name, i) for i, name in enumerate(names)}
    most_lines = 1 + max(name.count("\n") for name in legible.values())
    with style.drawn(title, show, 0.8 + (0.09 + 0.15 * most_lines) * (len(rows) + 1)) as figure:
        panel = figure.subplots()
        for i, row in enumerate(rows):
            _interval(panel, i, row)
            says += say_row("response", row, "{field} {season}: {response_pct:+}, {verdict}. ")
        labels = [f"{legible[row['field']]} {row['season']}" for row in rows]
        if pooled is not None and pooled["response_pct"] is not None:
            i = len(rows)
            low, high = pooled["verdict_low_pct"], pooled["verdict_high_pct"]
            panel.plot([low, high], [i, i], color="black", linewidth=3)
            panel.plot(pooled["response_pct"], i, "D", color="black", markersize=7)
            labels.append("all together")
            says += say_row("response_pooled", pooled, _ALL_TOGETHER)
        panel.set_yticks(range(len(labels)), labels)
        panel.set_ylim(len(labels) - 0.4, -0.6)
        panel.axvline(0, color="black", linewidth=1)
        # Of the whole picture: beside long names the axis is shorter than its words.
        figure.supxlabel(_RESPONSE_AXIS, fontsize="medium")
        picture = style.image(figure, "svg")
    return [Picture("responses", title, tuple(says), picture, "svg")]


def _response_title(rows: list[Row], pooled: Row | None) -> Phrase:
    """Return the response of all together, or of the only or latest season."""
    if pooled is not None and pooled["response_pct"] is not None:
        template = "Treated minus check over all: {response_pct:+} ({verdict_low_pct:+} to {verdict_high_pct:+})"
        return say_row("response_pooled", pooled, template)
    last = max(rows, key=lambda row: row["season"])
    return say_row("response", last, "Treated minus check on {field} in {season}: {response_pct:+}")


def _interval(panel: Axes, at: int, row: Row) -> None:
    if row["response_low_pct"] is not None:
        ends = [row["response_low_pct"], row["response_high_pct"]]
        panel.plot(ends, [at, at], color=style.TREATED, linewidth=1.6)
    shown = row["verdict"] in ("gain", "loss")
    face = style.TREATED if shown else "white"
    look: style.Look = {"markersize": 6, "markeredgecolor": style.TREATED, "markerfacecolor": face}
    panel.plot(row["response_pct"], at, "o", **look)


def money(tables: Tables, field: str, show: Show) -> list[Picture]:
    """Draw the net since each operation of a field, season by season, with its interval."""
    rows = tables("payback", field=field).filter(pl.col("cumulative_net_per_ha").is_not_null())
    if rows.is_empty():
        return []
    slope, _, label, _ = show.unit_of("currency/hectare")
    says: list[Part] = []
    last = rows.sort("season", "operation_day").to_dicts()[-1]
    title = say_row("payback", last, "Net since the work by {season}: {cumulative_net_per_ha:+}")
    with style.drawn(title, show, 2.6) as figure:
        panel = figure.subplots()
        for (day,), own in rows.sort("season").group_by("operation_day", maintain_order=True):
            _net_line(panel, own, slope, f"work of {day}")
            for row in own.to_dicts():
                says += say_row("payback", row, "By {season}: {cumulative_net_per_ha:+}. ")
        seasons = sorted(set(rows["season"]))
        panel.set_xticks(seasons, [str(s) for s in seasons])
        panel.axhline(0, color="black", linewidth=1)
        panel.set_xlim(seasons[0] - 1.2, seasons[-1] + 0.9)
        at_left = ("axes fraction", "data")
        style.near_point(
            panel, 0.01, 0, (0, 4), "paid above this line", xycoords=at_left, fontsize=8
        )
        panel.set_ylabel(f"net since the work, {label}")
        panel.set_title("band: 95% interval", fontsize=8.5, fontweight="normal")
        picture = style.image(figure, "svg")
    return [Picture("money", title, tuple(says), picture, "svg")]


def _net_line(panel: Axes, own: pl.DataFrame, slope: float, name: str) -> None:
    seasons = own["season"].to_list()
    net = (own["cumulative_net_per_ha"] * slope).to_list()
    cost = own["cost_per_ha"][0]
    x, y = seasons, net
    if cost is not None:
        x, y = [seasons[0] - 1, *seasons], [-cost * slope, *net]
    bounded = own.filter(pl.col("cumulative_low_per_ha").is_not_null())
    if bounded.height:
        at = bounded["season"].to_numpy()
        low, mid, high = (
            (bounded[f"cumulative_{end}_per_ha"]).to_numpy() for end in ("low", "net", "high")
        )
        panel.fill_between(at, low * slope, high * slope, color=style.TREATED, alpha=0.18, lw=0)
        ends = [(mid - low) * slope, (high - mid) * slope]
        look: style.Look = {"ecolor": style.TREATED, "elinewidth": 1, "capsize": 3}
        panel.errorbar(at, mid * slope, yerr=ends, fmt="none", **look)
    panel.plot(x, y, color=style.TREATED, marker="o", linewidth=2)
    style.beside(panel, x[-1], y[-1], name, style.TREATED)
