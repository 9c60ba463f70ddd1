"""How long a sensor may stay at one value, by its own habit at that time.

QARTOD's flat line test (U.S. Integrated Ocean Observing System, open manuals) with a limit taken
from the record around each run of unchanged days, not from the whole record: a logger program may
write one decimal in its first year and three afterwards, and a deep layer may rest for months.
"""

from __future__ import annotations

from math import log

import polars as pl

AROUND = 60  # days on either side of a run that show how often the sensor moves by itself
LEAST_AROUND = 10
CHANCE = 1e-6
LEAST_D = 5
QUIET = 0.86  # resting days of a sensor without a record around the run: ninety days
MOST_QUIET = 0.963  # nothing rests for more than a year


def stuck(
    rows: pl.DataFrame,
    by: list[str],
    *,
    same: pl.Expr,
    alive: pl.Expr,
    moves: pl.Expr | None = None,
) -> pl.Series:
    """Return whether each day belongs to a run that is too long for chance.

    ``rows`` are sorted by ``by`` and day. ``same``: the day has the value of the day before and no
    other. ``alive``: the value moved within the day and came back, as noise and warmth make it; a
    slow change to one side does not say that the sensor would move in resting soil. The share of
    days that are not alive, on the quieter side of the run, to the power of the run's days must be
    below ``CHANCE``. Where ``moves`` is true on the run (something else of the sensor still moves),
    twice as many days are needed.
    """
    out = rows.select(
        *by,
        same=same.fill_null(False),
        rest=(~alive.fill_null(False)).cast(pl.Float64),
        moves=(moves if moves is not None else pl.lit(False)).fill_null(False),
    ).with_columns(run=pl.struct(*by, "same").rle_id())
    rolled = pl.col("rest").rolling_sum(AROUND, min_samples=1)
    back = pl.col("rest").reverse().rolling_sum(AROUND, min_samples=1).reverse()
    out = out.with_columns(
        row=pl.int_range(pl.len()).over(by),
        rows=pl.len().over(by),
        before=rolled.shift(1).over(by),
        after=back.shift(-1).over(by),
    )
    out = out.with_columns(
        rest_before=pl.col("before").first().over("run"),
        n_before=pl.col("row").first().over("run").clip(upper_bound=AROUND),
        rest_after=pl.col("after").last().over("run"),
        n_after=(pl.col("rows") - 1 - pl.col("row")).last().over("run").clip(upper_bound=AROUND),
        n=pl.len().over("run"),
        moving=pl.col("moves").any().over("run"),
    )
    shares = [
        pl.when(pl.col(f"n_{side}").cast(pl.Int64) >= LEAST_AROUND).then(
            (pl.col(f"rest_{side}") + 1.0) / (pl.col(f"n_{side}") + 2.0)
        )
        for side in ("before", "after")
    ]
    share = pl.max_horizontal(*shares).fill_null(QUIET).clip(upper_bound=MOST_QUIET)
    needed = (log(CHANCE) / share.log()).clip(lower_bound=LEAST_D)
    needed = pl.when("moving").then(2.0 * needed).otherwise(needed)
    # The day before a run has its value too.
    return out.select((pl.col("same") & (pl.col("n") + 1 >= needed)).alias("stuck")).to_series()
