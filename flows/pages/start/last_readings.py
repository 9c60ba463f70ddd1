"""The last readings of each instrument, with a small line of the last weeks."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

import polars as pl

from flows.pages.cells import Phrase, cell, say
from flows.pages.published_tables import Tables, last_row

if TYPE_CHECKING:
    from datetime import date

DAYS = 30
WIDTH, HEIGHT = 120, 24  # of a small line, in CSS pixels

# What is shown of an instrument: the daily table, its column, and its name in words.
_SHOWN = {
    "station": ("weather_day", "air_temp_mean_c", "Air temperature"),
    "probe": ("soil_day", "vwc_mean_pct", "Soil moisture"),
}
# What is shown of a station without weather.
_METER = ("water_meter_day", "volume_m3", "Water passed")


@dataclass(frozen=True, slots=True)
class Instrument:
    """One instrument: when it was last heard, its last daily value, its line of the last weeks."""

    name: str
    kind: str
    heard: str
    silent: bool
    last: Phrase
    line: str  # "x,y x,y …" of an SVG polyline; pieces are parted by "|" at days without a value

    @property
    def pieces(self) -> list[str]:
        """Return the polylines."""
        return [piece for piece in self.line.split("|") if piece]


def instruments(tables: Tables, heard: list[dict[str, Any]], now: datetime) -> list[Instrument]:
    """Return the instruments that stand somewhere today.

    ``heard`` is that of the status, ``now`` the farm's clock: times are shown by it.
    """
    return [_instrument(tables, one, now) for one in heard if one["standing"]]


def _instrument(tables: Tables, one: dict[str, Any], now: datetime) -> Instrument:
    day = now.date()
    kind, name = one["kind"], one["instrument"]
    table, column, words = _SHOWN[kind]
    rows = tables(table, **{kind: name}).drop_nulls(column).filter(pl.col("day") <= day)
    metered = rows.is_empty() and kind == "station"
    if metered:
        table, column, words = _METER
        rows = tables(table, station=name).drop_nulls(column).filter(pl.col("day") <= day)
    if kind == "probe" and rows.height:  # its topmost sensor: the one that moves
        rows = rows.filter(pl.col("depth_cm") == pl.col("depth_cm").min())
    row = last_row(rows)
    last: Phrase = ("no values in the last weeks",)
    if row is not None:
        depth: Phrase = (" at ", cell(table, row, "depth_cm")) if kind == "probe" else ()
        last = say(
            "{words}{depth}: {value}, " + ("on {day}" if metered else "mean of {day}"),
            words=words,
            depth=depth,
            value=cell(table, row, column),
            day=cell(table, row, "day"),
        )
    heard = "never"
    if one["last_heard"]:
        at = datetime.fromisoformat(one["last_heard"]).astimezone(now.tzinfo)
        heard = f"{at:%B} {at.day}, {at:%H:%M}" + (f", {at.year}" if at.year != now.year else "")
    return Instrument(name, kind, heard, one["silent"], last, _line(rows, column, day))


def _line(rows: pl.DataFrame, column: str, day: date) -> str:
    """Return the small line: the last ``DAYS`` days from left to right, broken at lost days."""
    first = day - timedelta(days=DAYS - 1)
    rows = rows.filter(pl.col("day") >= first).sort("day")
    if rows.height < 2:
        return ""
    value = pl.col(column)
    span = pl.max_horizontal(value.max() - value.min(), pl.lit(1e-9))
    at = (pl.col("day") - first).dt.total_days()
    points = rows.select(
        x=(at * (WIDTH / (DAYS - 1))).round(1),
        y=((value.max() - value) / span * (HEIGHT - 4) + 2).round(1),
        begins=pl.col("day").diff().dt.total_days() > 1,
    )
    return "".join(
        f"{'|' if begins else ' '}{x},{y}" for x, y, begins in points.iter_rows()
    ).strip()
