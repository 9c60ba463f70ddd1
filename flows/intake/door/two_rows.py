"""Two rows for one day from two observers: one of them stands whole, the other is rejected."""

from __future__ import annotations

import polars as pl

from flows.intake.door.rejected import REJECTED, rejections
from schemas.farm.layout import DAY_S, Layout

TWO_ROWS = "two rows for one day"
WHO = ("seq", "station", "probe", "instrument")  # whose day it is; so far as the rows have it
WHAT = ("series", "depth", "sensor")


def reject_second_rows(frame: pl.DataFrame, layout: Layout) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the rows that stand, and the rejections (``REJECTED``) of the others.

    Of the rows of one delivery that contradict each other for one day of one instrument, the one
    with the most values stands, of equal ones the later: half of one and half of the other would
    be a day that nobody measured. Layouts of shorter steps are not looked at.
    """
    nothing = pl.DataFrame(schema=REJECTED)
    if layout.step_s < DAY_S:
        return frame, nothing
    if layout.series_column is not None:
        return _of_long_rows(frame)
    names = (*WHO, "depth", "sensor", "time")
    day = [name for name in names if name in frame.columns]
    twice = frame.select(day).is_duplicated()
    if not twice.any():
        return frame, nothing
    cells = [pl.col(name) for name in frame.columns if name.startswith("v:")]
    rows = frame.filter(twice).filter(
        pl.any_horizontal(cell.drop_nulls().n_unique().over(day) > 1 for cell in cells)
    )
    stands = pl.col("line").sort_by("values", "line").last().over(day)
    lost = rows.with_columns(stands=stands).filter(pl.col("line") != pl.col("stands"))
    rejected = rejections(
        lost,
        "",
        TWO_ROWS,
        pl.format("{} in this line and in line {}, with other values", "stamp", "stands"),
        pl.format("one row a day; line {} stands", "stands"),
        pl.col("values"),
    )
    kept = frame.join(
        lost.select("seq", "line"), on=["seq", "line"], how="anti", maintain_order="left"
    )
    return kept, rejected


def _of_long_rows(frame: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Do the same where each quantity has a row of its own: the rows of one observer stand.

    The first row of a quantity is of the first observer, its second row of the second. A quantity
    that a day has but once belongs to the observer among whose lines it stands; where their lines
    are mixed, or it stands before or after them, nobody knows whose it is, and it is rejected too. Of two
    observers the one with more rows stands, of equal ones the later.
    """
    day = [name for name in (*WHO, "time") if name in frame.columns]
    each = [*day, *(name for name in WHAT if name in frame.columns)]
    given = frame.filter(pl.col("value").is_not_null())
    if not given.select(each).is_duplicated().any():
        return frame, pl.DataFrame(schema=REJECTED)
    apart = (pl.col("value").n_unique().over(each) > 1).any().over(day)
    rows = given.filter(apart).sort("line", maintain_order=True)
    rows = rows.with_columns(
        nth=pl.int_range(pl.len()).over(each) + 1, of=pl.len().over(each).cast(pl.Int64)
    ).with_columns(observers=pl.col("of").max().over(day))
    rows = _with_observer(rows, day)
    known = pl.col("observer").is_not_null()
    number = pl.when(known).then(pl.len().over(*day, "observer")).otherwise(0)
    stands = pl.col("observer").sort_by(number, "observer").last().over(day)
    rows = rows.with_columns(stands=stands)
    first = pl.col("line").filter(pl.col("observer") == pl.col("stands")).min().over(day)
    lost = rows.with_columns(first=first).filter(
        (pl.col("observer") != pl.col("stands")).fill_null(True)
    )
    rejected = rejections(
        lost,
        "",
        TWO_ROWS,
        pl.format("{} in this line, and other values for that day from line {}", "stamp", "first"),
        pl.format("one row a day and quantity; the rows from line {} stand", "first"),
        pl.col("values"),
    )
    kept = frame.join(
        lost.select("seq", "line"), on=["seq", "line"], how="anti", maintain_order="left"
    )
    return kept, rejected


def _with_observer(rows: pl.DataFrame, day: list[str]) -> pl.DataFrame:
    """Add the number of the ``observer`` of each row of a day; null where nobody knows.

    ``nth`` of the ``of`` rows of its quantity, and the number of ``observers`` of the day.
    """
    clear = pl.col("of") == pl.col("observers")
    spans = (
        rows.filter(clear)
        .group_by(*day, observer="nth")
        .agg(begin=pl.col("line").min(), end=pl.col("line").max())
        .sort(*day, "observer")
        .with_columns(after=(pl.col("begin") > pl.col("end").shift().over(day)).fill_null(True))
        .filter(pl.col("after").all().over(day))
    )
    among = pl.col("line").is_between("begin", "end")
    placed = (
        rows.filter(~clear)
        .join(spans, on=day, nulls_equal=True)
        .filter(among)
        .select("seq", "line", "observer")
    )
    return rows.join(placed, on=["seq", "line"], how="left", maintain_order="left").with_columns(
        observer=pl.when(clear).then("nth").otherwise("observer")
    )
