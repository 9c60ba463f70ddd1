"""What is rejected at the door: an entry a value or a row, with its cause, what was found, what was expected."""

from __future__ import annotations

import polars as pl

from flows.intake.readers.chunk import FAULTS

REJECTED = pl.Schema({"seq": pl.Int64(), **FAULTS, "values": pl.Int64()})


def rejections(  # noqa: PLR0917
    rows: pl.DataFrame,
    column: str,
    cause: str | pl.Expr,
    found: pl.Expr,
    expected: str | pl.Expr,
    values: pl.Expr | int = 1,
) -> pl.DataFrame:
    """Rejections of rows: of the value in the file's ``column``, or of the row where that is empty."""
    return rows.select(
        "seq",
        "line",
        column_name=pl.lit(column),
        extent=pl.lit("value" if column else "row"),
        cause=pl.lit(cause) if isinstance(cause, str) else cause,
        found=found,
        expected=pl.lit(expected) if isinstance(expected, str) else expected,
        values=pl.lit(values, pl.Int64) if isinstance(values, int) else values.cast(pl.Int64),
    )


def beyond_limits(rows: pl.DataFrame, column: str, expected: str) -> pl.DataFrame:
    """Rejections of rows whose value in the file's ``column`` lies outside limits."""
    found = pl.col(f"v:{column}").cast(pl.String)
    return rejections(rows, column, "outside the limits", found, expected)


def limits_in_words(low: float | None, high: float | None) -> str:
    """Return limits as text."""
    if low is None:
        return f"at most {high:g}"
    return f"at least {low:g}" if high is None else f"{low:g} to {high:g}"


def one_per_row(rejected: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """Where every value of a row was rejected, one rejection of the row in place of one a value.

    ``rows``: ``seq``, ``line`` and ``values`` of every row that came in.
    """
    if rejected.is_empty():
        return rejected
    totals = (
        rejected.filter(extent="value")
        .group_by("seq", "line")
        .agg(
            pl.col("values").sum().alias("gone"),
            pl.col("cause").n_unique().alias("causes"),
            pl.len().alias("entries"),
        )
    )
    whole = (
        totals.join(rows, on=["seq", "line"])
        .filter(
            (pl.col("gone") == pl.col("values")) & (pl.col("causes") == 1) & (pl.col("entries") > 1)
        )
        .select("seq", "line", "gone")
    )
    if whole.is_empty():
        return rejected
    first = (
        rejected.filter(extent="value")
        .join(whole, on=["seq", "line"])
        .unique(["seq", "line"], keep="first", maintain_order=True)
        .with_columns(extent=pl.lit("row"), column_name=pl.lit(""), values=pl.col("gone"))
    )
    rest = rejected.join(whole, on=["seq", "line"], how="anti", maintain_order="left")
    return pl.concat([rest, first.select(REJECTED.names())])


def empty_rows(rejected: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """Return the rows (``seq``, ``line``) of which every value was rejected."""
    gone = rejected.group_by("seq", "line").agg(pl.col("values").sum().alias("gone"))
    return (
        gone.join(rows, on=["seq", "line"])
        .filter((pl.col("values") > 0) & (pl.col("gone") >= pl.col("values")))
        .select("seq", "line")
    )
