"""Each field at a glance: a row of the start page, from the last days of the published tables."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import polars as pl

from flows.pages.cells import Cell, Grid, Phrase, Row, cell, grid, say_row
from flows.pages.published_tables import Tables, last_row

STRIPS = ("treated", "check")
HEADS = (
    "Field",
    "Crop",
    "Rain since seeding",
    "Normal",
    "Up to",
    "Available water, treated",
    "Check",
    "Up to",
    "Roots, treated",
    "Check",
)
_UNKNOWN: Phrase = ("–",)


@dataclass(frozen=True, slots=True)
class _Field:
    """One field and its season on a day."""

    tables: Tables
    field: Row
    season: Row | None
    today: date

    def rain(self) -> tuple[Phrase, Phrase, Phrase]:
        """Return rain since seeding, its normal and the last day, of the check strip's gauge first."""
        row = self._last("rain_day", "season_to_date_mm", order=("check", "treated"))
        if row is None:
            return _UNKNOWN, _UNKNOWN, _UNKNOWN
        normal = cell("rain_day", row, "season_to_date_normal_mm")
        return (
            (cell("rain_day", row, "season_to_date_mm"),),
            (normal,) if normal.known else _UNKNOWN,
            (cell("rain_day", row, "day"),),
        )

    def water(self) -> tuple[Phrase, Phrase, Phrase]:
        """Return the available water of both strips on the last day that has both, and that day."""
        days = self._rows("profile_water_day").drop_nulls("available_water_mm")
        both = days.group_by("day").len().filter(pl.col("len") == len(STRIPS))["day"].max()
        rows = {row["strip"]: row for row in days.filter(pl.col("day").eq_missing(both)).to_dicts()}
        if len(rows) < len(STRIPS):
            return _UNKNOWN, _UNKNOWN, _UNKNOWN
        treated, check = (
            (cell("profile_water_day", rows[strip], "available_water_mm"),) for strip in STRIPS
        )
        return treated, check, (cell("profile_water_day", rows["check"], "day"),)

    def roots(self, strip: str) -> Phrase:
        """Return the depth of the root front; 'deeper than' if it passed the deepest sensor."""
        row = self._last("root_front_day", "front_cm", order=(strip,))
        if row is None:
            return _UNKNOWN
        return say_row(
            "root_front_day",
            row,
            "{front_cm} or deeper" if row["deepest_passed"] else "{front_cm}",
        )

    def _rows(self, table: str) -> pl.DataFrame:
        if self.season is None:
            return self.tables(table).head(0)
        rows = self.tables(table, field=self.field["field"], season=self.season["season"])
        return rows.filter(pl.col("day") <= self.today)

    def _last(self, table: str, column: str, order: tuple[str, ...]) -> Row | None:
        rows = self._rows(table).drop_nulls(column)
        for strip in order:
            if row := last_row(rows.filter(pl.col("strip") == strip)):
                return row
        return None


def at_a_glance(tables: Tables, day: date) -> list[Grid]:
    """Return the fields as a grid, or nothing if there is none.

    A field without a standing crop keeps its row: it has no water or roots to show.
    """
    rows = [_row(tables, field, day) for field in tables.watched()]
    return [grid(("Each field at a glance",), HEADS, rows, [])] if rows else []


def _row(tables: Tables, field: Row, day: date) -> tuple[Phrase, ...]:
    season = tables.season_on(field["field"], day)
    one = _Field(tables, field, season, day)
    crop: Phrase = (cell("season", season, "crop"),) if season else ("no crop stands",)
    name: Cell = cell("field", field, "field")
    return (
        (name,),
        crop,
        *one.rain(),
        *one.water(),
        *(one.roots(strip) for strip in STRIPS),
    )
