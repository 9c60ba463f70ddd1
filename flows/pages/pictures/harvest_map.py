"""A season's yield map: its points in the strips, which were left out and why, the response along them."""

from typing import Any

import numpy as np
import polars as pl
from matplotlib.axes import Axes

from flows.pages.cells import Part, Phrase, Picture, Row, say, say_row
from flows.pages.pictures import style
from flows.pages.published_tables import Tables
from flows.pages.reader_units import Show

# Marks of points left out, by reason, the most frequent first; the last stands for all other reasons.
_LEFT_OUT = ("x", "+", "1", "2", "|", "_", ".")
_OTHER = "other reasons"
_WIDE_INCHES, _LEAST_INCHES = 3.6, 1.2
_DOT: style.Look = {"linewidths": 0, "rasterized": True}
_ALONG = {
    "differs": "{field} {season}: the response is not the same all along the strips",
    "not shown": "{field} {season}: a difference along the strips is not shown",
    "too few": "{field} {season}: response along the strips, too short for an interval",
}


def of_season(tables: Tables, season: Row, show: Show) -> list[Picture]:
    """Return the map and the response along the strips; nothing for a season without a map."""
    at = {"field": season["field"], "season": season["season"]}
    points = tables("yield_point_cleaned", **at).drop_nulls(["east_m", "north_m", "strip"])
    parts = tables("response_along", **at).sort("part").to_dicts()
    return [*_points(season, points, show), *_along(parts, season["crop"], show)]


def _points(season: Row, points: pl.DataFrame, show: Show) -> list[Picture]:
    if points.is_empty():
        return []
    title = say_row("season", season, "{field} {season}: the points of the yield map")
    slope, _, label, _ = show.unit_of("m")
    # the longer way lies across the page
    axes = (("east", pl.col("east_m")), ("north", pl.col("north_m")))
    if np.ptp(points["north_m"].to_numpy()) > np.ptp(points["east_m"].to_numpy()):
        axes = (("north", pl.col("north_m")), ("west", -pl.col("east_m")))
    points = points.with_columns(x=axes[0][1] * slope, y=axes[1][1] * slope)
    wide, high = (np.ptp(points[c].to_numpy()) for c in ("x", "y"))
    reasons = _by_reason(points)
    true = _WIDE_INCHES * high / max(wide, 1.0)
    panel_height = min(max(true, _LEAST_INCHES), _WIDE_INCHES)
    height = 0.7 + panel_height + 0.15 * (len(reasons) + 2)
    with style.drawn(title, show, height) as figure:
        panel = figure.subplots()
        if panel_height > 1.1 * true:
            panel.set_title("drawn wider than it is", fontsize=8.5, fontweight="normal")
        kept = points.filter("kept")
        for strip in ("treated", "check"):
            own = kept.filter(pl.col("strip") == strip)
            look: style.Look = {"color": style.COLOR[strip], "marker": style.MARK[strip]}
            _dots(panel, own, f"{strip}, counted", s=5, **_DOT, **look)
        for mark, (reason, own) in zip(_LEFT_OUT, reasons, strict=False):
            thin: style.Look = {"color": style.FAINT, "marker": mark, "linewidths": 0.5}
            _dots(panel, own, reason, s=7, rasterized=True, **thin)
        panel.set_xlabel(f"{axes[0][0]}, {label}")
        panel.set_ylabel(f"{axes[1][0]}, {label}")
        look = {"loc": "outside lower left", "fontsize": 7.5, "frameon": False, "markerscale": 1.6}
        figure.legend(**look)
        picture = style.image(figure, "svg")
    says = say(
        "Dark: points counted in the treated strip; lighter squares: in the check strip; gray: left out."
    )
    return [Picture("yield-map", title, says, picture, "svg")]


def _dots(panel: Axes, own: pl.DataFrame, name: str, **look: Any) -> None:
    panel.scatter(own["x"], own["y"], label=name, **look)


def _by_reason(points: pl.DataFrame) -> list[tuple[str, pl.DataFrame]]:
    """Return the points left out by reason, the most frequent first, rare reasons together."""
    left = points.filter(~pl.col("kept")).with_columns(
        why=pl.col("removed_because").fill_null(_OTHER)
    )
    ranked = left["why"].value_counts(sort=True)["why"].to_list()
    named = ranked[: len(_LEFT_OUT) - 1]
    left = left.with_columns(
        why=pl.when(pl.col("why").is_in(named)).then("why").otherwise(pl.lit(_OTHER))
    )
    return [
        (why, left.filter(pl.col("why") == why)) for why in [*named, _OTHER] if why in left["why"]
    ]


def _along(parts: list[Row], crop: str, show: Show) -> list[Picture]:
    if not parts:
        return []
    title: Phrase = say_row("response_along", parts[0], _ALONG[parts[0]["verdict"]])
    slope, _, label, _ = show.unit_of("kg/ha", crop)
    far, _, meters, _ = show.unit_of("m")
    says: list[Part] = []
    with style.drawn(title, show, 1.9) as figure:
        panel = figure.subplots()
        for row in parts:
            ends = [row["from_m"] * far, row["to_m"] * far]
            if row["response_low_kg_ha"] is not None:
                low, high = row["response_low_kg_ha"] * slope, row["response_high_kg_ha"] * slope
                panel.fill_between(ends, low, high, color=style.TREATED, alpha=0.18, lw=0)
            panel.plot(ends, [row["response_kg_ha"] * slope] * 2, color=style.TREATED, linewidth=2)
            says += say_row("response_along", row, "From {from_m} to {to_m}: {response_kg_ha:+}. ")
        panel.axhline(0, color="black", linewidth=1)
        panel.set_xlabel(f"from the {parts[0]['counted_from']} end of the strips, {meters}")
        panel.set_ylabel(f"treated minus check,\n{label}")
        panel.set_title("band: 95% interval", fontsize=8.5, fontweight="normal")
        picture = style.image(figure, "svg")
    return [Picture("response-along", title, tuple(says), picture, "svg")]
