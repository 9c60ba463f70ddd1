"""Which seasons a report is of."""

import polars as pl

from flows.base.errors import UserError
from flows.pages.cells import Phrase, cell
from flows.pages.published_tables import Tables


def chosen_seasons(tables: Tables, year: int | None) -> pl.DataFrame:
    """Return the seasons of a year of harvest, or all; raise UserError if there is none of that year."""
    every = tables("season").sort("field", "season")
    chosen = every.filter(pl.col("season") == year) if year else every
    if chosen.is_empty() and year:
        known = ", ".join(str(s) for s in every["season"].unique().sort()) or "none"
        raise UserError(f"No field has a season {year} in the field book; its seasons are {known}.")
    return chosen


def years(chosen: pl.DataFrame, year: int | None) -> Phrase:
    """Return which years a page is of, for its title."""
    if not year:
        return (": all years",)
    return (": season ", cell("season", chosen.to_dicts()[0], "season"))
