"""Two rows for one day from two observers: one of them stands whole, the other is rejected."""

from __future__ import annotations

import polars as pl

from flows.intake.door.rejected import REJECTED, rejections
from schemas.farm.layout import DAY_S, Layout

TWO_ROWS = "two rows for one day"


def reject_second_rows(frame: pl.DataFrame, layout: Layout) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the rows that stand, and the rejections (``REJECTED``) of the others.

    Of the rows of one delivery that contradict each other for one day of one instrument, the one
    with the most values stands, of equal ones the later: half of one and half of the other would
    be a day that nobody measured. Layouts of shorter steps, or of a series a row, are left alone.
    """
    nothing = pl.DataFrame(schema=REJECTED)
    if layout.step_s < DAY_S or layout.series_column is not None:
        return frame, nothing
    names = ("seq", "station", "probe", "instrument", "depth", "sensor", "time")
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
