"""Make a table of the site-years of each practice."""

from collections.abc import Callable

import polars as pl

from schemas import generated
from schemas.table import Table


def by_practice(
    response_cause: pl.DataFrame,
    table: Table,
    rows_of: Callable[[str, pl.DataFrame], list[dict[str, object]]],
) -> pl.DataFrame:
    """Make ``table`` of the rows that ``rows_of`` makes of each practice's site-years.

    ``rows_of`` gets the practice and its rows of ``response_cause`` by field and season. NaN
    becomes null.
    """
    rows = [
        row
        for (practice,), group in response_cause.sort("field", "season").group_by(
            "practice", maintain_order=True
        )
        for row in rows_of(str(practice), group)
    ]
    out = pl.DataFrame(rows, schema=generated.polars_schema(table), orient="row")
    return generated.conform(out.with_columns(pl.col(pl.Float64).fill_nan(None)), table).sort(
        table.key
    )
