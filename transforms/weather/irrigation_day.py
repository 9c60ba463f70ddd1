"""Water applied to each strip by irrigation, day by day.

From the field book: the depths of a day's rows are added up; a row of both strips counts in each. A
row without a depth makes the day's depth unknown, not zero. A day that is not on the sheet had none.

The depth is what was applied, as given: no efficiency is guessed. What of it evaporates from leaves
or runs off is in the water use, as for rain. It is the net irrigation depth I of the soil water
balance, and wets the surface like rain (Allen et al. 1998, FAO Irrigation and Drainage Paper 56,
chapter 8, Eq 85; chapter 7, Eq 77 with the whole surface wetted; from memory).
"""

import polars as pl

from schemas import generated
from schemas.tables.weather.irrigation_day import TABLE
from transforms.methods.crop_days import with_season
from transforms.methods.strips import STRIPS

_STRIP = ["field", "strip"]
_KEY = [*_STRIP, "day"]


def derive(irrigation: pl.DataFrame, season: pl.DataFrame) -> pl.DataFrame:
    """One row a strip and day with an irrigation on record. Depth in mm."""
    unknown = pl.col("book_mm").is_null()
    rows = _by_book(irrigation).with_columns(
        irrigation_mm="book_mm",
        irrigation_from=pl.lit("field book"),
        irrigation_since_day="day",
        in_later_total=pl.lit(False),
        coverage=(~unknown).cast(pl.Float64),
        partial=unknown,
        reason=pl.when(unknown).then(pl.lit("irrigated, but the field book does not say how much")),
    )
    rows = _to_date(with_season(rows, season))
    return generated.conform(rows.select(c for c in TABLE.names if c in rows.columns), TABLE).sort(
        TABLE.key
    )


def _by_book(irrigation: pl.DataFrame) -> pl.DataFrame:
    """Return the field book's depth by strip and day, and the sources it names."""
    both = pl.col("strip") == "both"
    of_both = irrigation.filter(both).drop("strip").join(STRIPS, how="cross")
    rows = pl.concat([irrigation.filter(~both), of_both.select(irrigation.columns)])
    known = pl.col("amount_mm").null_count() == 0
    return rows.group_by(_KEY).agg(
        book_mm=pl.when(known).then(pl.col("amount_mm").sum()),
        source=pl.col("source").drop_nulls().unique().sort().str.join(", ").replace("", None),
    )


def _to_date(rows: pl.DataFrame) -> pl.DataFrame:
    """Add the depths known since Monday and since seeding, and the days without one."""
    unknown = pl.col("irrigation_mm").is_null() & ~pl.col("in_later_total")
    depth, days = pl.col("irrigation_mm").fill_null(0.0).cum_sum(), unknown.cast(pl.Int64).cum_sum()
    rows = rows.sort(_KEY).with_columns(week=pl.col("day").dt.truncate("1w"))
    in_season = pl.col("season").is_not_null()
    return rows.with_columns(
        week_to_date_mm=depth.over(*_STRIP, "week"),
        week_to_date_unknown_d=days.over(*_STRIP, "week"),
        season_to_date_mm=pl.when(in_season).then(depth.over(*_STRIP, "season")),
        season_to_date_unknown_d=pl.when(in_season).then(days.over(*_STRIP, "season")),
    )
