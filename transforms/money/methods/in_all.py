"""What an operation has earned in all: the sum by area times the area that was worked."""

import polars as pl

SUMS = ("net", "low", "high")


def with_sums(rows: pl.DataFrame, operation: pl.DataFrame) -> pl.DataFrame:
    """Add worked_ha and cumulative_net, _low and _high (in the farm's currency) to rows of ``payback``.

    ``rows``: field, practice, operation_day and the sums by hectare. The area is that which the book
    gives for the work on the treated strip; without one the sums are null. Area times money by area,
    as any partial budget has it.
    """
    worked = operation.filter(pl.col("strip") == "treated").select(
        "field", "practice", operation_day="day", worked_ha="area_ha"
    )
    return rows.join(
        worked, on=["field", "practice", "operation_day"], how="left", maintain_order="left"
    ).with_columns(
        (pl.col(f"cumulative_{sum_}_per_ha") * pl.col("worked_ha")).alias(f"cumulative_{sum_}")
        for sum_ in SUMS
    )
