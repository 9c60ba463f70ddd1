"""Words of money by their chance, the same on every page.

Paid from 0.95 on, probably paid from 0.8 on, probably not up to 0.2, not paid up to 0.05, else
cannot tell yet. A cost of which a part is missing is too low, so it may say no more than that it
has not paid.
"""

import polars as pl

SURE, LIKELY = 0.95, 0.8
UNKNOWN = "cannot tell yet"
PAID = ("paid", "probably paid", UNKNOWN, "probably not", "not paid")
PAYS = ("pays", "probably pays", UNKNOWN, "probably not", "does not pay")


def by_chance(chance: pl.Expr, too_cheap: pl.Expr, words: tuple[str, ...]) -> pl.Expr:
    """Return the word of a chance; null without one.

    ``too_cheap``: true where part of the cost is missing. ``words``: from sure to sure not.
    """
    sure, likely, unknown, unlikely, surely_not = (pl.lit(word) for word in words)
    return (
        pl.when(chance.is_null())
        .then(pl.lit(None, pl.String))
        .when(chance <= 1 - SURE)
        .then(surely_not)
        .when(chance <= 1 - LIKELY)
        .then(unlikely)
        .when((chance < LIKELY) | too_cheap)
        .then(unknown)
        .when(chance < SURE)
        .then(likely)
        .otherwise(sure)
    )
