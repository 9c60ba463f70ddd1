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
from transforms.methods.strips import STRIPS

_KEY = ["field", "strip", "day"]


def derive(irrigation: pl.DataFrame) -> pl.DataFrame:
    """One row a strip and day with an irrigation on record. Depth in mm."""
    rows = _by_book(irrigation).with_columns(
        irrigation_mm="book_mm",
        irrigation_from=pl.lit("field book"),
        irrigation_since_day="day",
        in_later_total=pl.lit(False),
        coverage=pl.col("book_mm").is_not_null().cast(pl.Float64),
        partial=pl.col("book_mm").is_null(),
        reason=pl.when(pl.col("book_mm").is_null()).then(
            pl.lit("irrigated, but the field book does not say how much")
        ),
    )
    return generated.conform(rows.select(c for c in TABLE.names if c in rows.columns), TABLE).sort(
        TABLE.key
    )


def _by_book(irrigation: pl.DataFrame) -> pl.DataFrame:
    """Return the field book's depth by strip and day, and the sources it names."""
    both = pl.col("strip") == "both"
    rows = pl.concat(
        [
            irrigation.filter(~both),
            irrigation.filter(both)
            .drop("strip")
            .join(STRIPS, how="cross")
            .select(irrigation.columns),
        ]
    )
    known = pl.col("amount_mm").null_count() == 0
    return rows.group_by(_KEY).agg(
        book_mm=pl.when(known).then(pl.col("amount_mm").sum()),
        source=pl.col("source").drop_nulls().unique().sort().str.join(", ").replace("", None),
    )
