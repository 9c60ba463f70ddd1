"""Tell which days' rain is in a month's sum, or in the total of a later day."""

import polars as pl

from transforms.methods import calendar_day


def begin_of_later_totals(since: pl.Expr) -> pl.Expr:
    """Return the first day that the totals of later rows reach back to; null if there are none.

    ``since`` is the first day of each row's total, rows in the order of days.
    """
    # cum_min leaves null where the row itself is null, so the last one found is carried on.
    return since.shift(-1).reverse().cum_min().forward_fill().reverse()


def complete_rain(start: pl.Expr, group: str) -> pl.Expr:
    """Return whether a day's rain is in its month's sum.

    The frame is sorted by day within ``group`` (one month of one station), without gaps, and has
    ``day``, ``rain_mm``, ``rain_coverage`` and ``rain_since_day``; ``start`` is the month's first
    day. A total that reaches back beyond the month is not the month's, and its day is not there.
    """
    whole = pl.col("rain_mm").is_not_null() & (pl.col("rain_coverage") >= calendar_day.WHOLE)
    later = begin_of_later_totals(pl.when(whole).then("rain_since_day")).over(group)
    own = whole & (pl.col("rain_since_day") >= start).fill_null(True)
    return (own | (~whole & (later <= pl.col("day"))).fill_null(False)).fill_null(False)
