"""Days on which something is so, gathered into spans: the shape of every finding of health."""

from __future__ import annotations

import polars as pl

from transforms.health.methods.runs import LENGTH_D

WHO = ["kind", "instrument", "part", "finding"]


def spans(days: pl.DataFrame, bridge_d: int = 1, numbers: tuple[pl.Expr, ...] = ()) -> pl.DataFrame:
    """Rows of WHO, depth_cm and day as spans: from_day, to_day, days and the ``numbers`` over each.

    Days no more than ``bridge_d`` apart are one span. A row with ``to_day`` is a run of days.
    """
    run = "to_day" in days.columns
    last = pl.col("to_day") if run else pl.col("day")
    new = ((pl.col("day") - last.shift()).dt.total_days() > bridge_d).fill_null(True)
    numbered = days.with_columns(span=pl.lit(0))
    if not days.is_empty():  # most checks find nothing, and there are many
        numbered = days.sort(*WHO, "day").with_columns(span=new.cum_sum().over(WHO, order_by="day"))
    return (
        numbered.group_by(*WHO, "span", maintain_order=True)
        .agg(
            pl.col("depth_cm").first(),
            *numbers,
            from_day=pl.col("day").min(),
            to_day=last.max(),
            days=LENGTH_D.sum() if run else pl.len().cast(pl.Int64),
        )
        .drop("span")
    )


def checked_days(days: pl.DataFrame, *findings: str) -> pl.DataFrame:
    """Return what a check could check: WHO, depth_cm, first and last day, their number."""
    seen = days.group_by("kind", "instrument", "part").agg(
        pl.col("depth_cm").first(),
        checked_from=pl.col("day").min(),
        checked_to=pl.col("day").max(),
        days=pl.col("day").n_unique().cast(pl.Int64),
    )
    return pl.concat([seen.with_columns(finding=pl.lit(finding)) for finding in findings])


def checked_runs(runs: pl.DataFrame, *findings: str) -> pl.DataFrame:
    """Return ``checked_days`` of runs of days (``runs``) of kind, instrument, part and depth_cm."""
    seen = runs.group_by("kind", "instrument", "part").agg(
        pl.col("depth_cm").first(),
        checked_from=pl.col("day").min(),
        checked_to=pl.col("to_day").max(),
        days=LENGTH_D.sum(),
    )
    return pl.concat([seen.with_columns(finding=pl.lit(finding)) for finding in findings])


def daily(frame: pl.DataFrame, kind: str, *columns: str) -> pl.DataFrame:
    """Return a daily table's days by kind and instrument, with some of its columns."""
    return labeled(frame, kind, "whole").select("kind", "instrument", "day", *columns)


def labeled(frame: pl.DataFrame, kind: str, part: str | pl.Expr, finding: str = "") -> pl.DataFrame:
    """The frame with its instrument, kind, part and finding named as all checks name them."""
    return frame.with_columns(
        kind=pl.lit(kind),
        instrument=pl.col(kind),
        part=pl.lit(part) if isinstance(part, str) else part,
        finding=pl.lit(finding),
        depth_cm=pl.col("depth_cm") if "depth_cm" in frame.columns else pl.lit(None, pl.Float64),
    )


BRIDGE_MONTHS_D = 63  # months in a row, or with one between them that could not be judged


def months_as_spans(months: pl.DataFrame) -> pl.DataFrame:
    """Months as spans, from the first to the last day compared, with the sums over each span.

    ``months``: WHO, depth_cm, month, first, last, n (days), sum, sum_other, compared_with.
    """
    return spans(
        months.with_columns(day=pl.col("month")),
        bridge_d=BRIDGE_MONTHS_D,
        numbers=(
            pl.col("first").min(),
            pl.col("last").max(),
            pl.col("n").sum(),
            pl.len().alias("months"),
            pl.col("sum").sum(),
            pl.col("sum_other").sum(),
            pl.col("compared_with").last(),
        ),
    ).select(
        pl.exclude("from_day", "to_day", "days", "first", "last", "n"),
        from_day="first",
        to_day="last",
        days="n",
    )
