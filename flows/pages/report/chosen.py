"""Which seasons a report is of."""

import polars as pl

from flows.base.errors import UserError
from flows.pages.cells import Phrase, cell
from flows.pages.published_tables import Tables


def chosen_seasons(tables: Tables, year: int | None) -> pl.DataFrame:
    """Return the seasons of a year of harvest, or all; raise UserError if there is none of that year.

    Of all years, those of a field end with the last one that was weighed, if any was: what still grows
    is the digest's.
    """
    every = tables("season").sort("field", "season")
    if year is None:
        weighed = tables("response").drop_nulls("response_kg_ha").group_by("field")
        last = weighed.agg(_last=pl.col("season").max())
        return (
            every.join(last, on="field", how="left", maintain_order="left")
            .filter(pl.col("season") <= pl.col("_last").fill_null(pl.col("season")))
            .drop("_last")
        )
    chosen = every.filter(pl.col("season") == year)
    if chosen.is_empty():
        known = ", ".join(str(s) for s in every["season"].unique().sort()) or "none"
        raise UserError(f"No field has a season {year} in the field book; its seasons are {known}.")
    return chosen


def last_of_each(chosen: pl.DataFrame) -> pl.DataFrame:
    """Return each field's latest season of the chosen ones."""
    return chosen.sort("field", "season").unique("field", keep="last", maintain_order=True)


def years(chosen: pl.DataFrame, year: int | None) -> Phrase:
    """Return which years a page is of, for its title."""
    if not year:
        return (": all years",)
    return (": season ", cell("season", chosen.to_dicts()[0], "season"))
