"""How long a sensor may stay at one value, by its own habit at that time.

QARTOD's flat line test (U.S. Integrated Ocean Observing System, open manuals) with a limit taken
from the record around each run of unchanged days, not from the whole record: a logger program may
write one decimal in its first year and three afterwards, and a deep layer may rest for months.

A day sees ``REACH`` days of its run to either side, so that it hangs on no other year's days. Runs up to
that are judged whole. In the middle of a longer one, no habit before or after is seen: a sensor
without a record around its run.
"""

from __future__ import annotations

from math import log

import polars as pl

REACH = 240  # days
AROUND = 60  # days on either side of a run that show how often the sensor moves by itself
LEAST_AROUND = 10
CHANCE = 1e-6
LEAST_D = 5
QUIET = 0.86  # resting days of a sensor without a record around the run: ninety days
MOST_QUIET = 0.963  # nothing rests for more than a year
_SIDES = ("before", "after")


def stuck(
    rows: pl.DataFrame,
    by: list[str],
    *,
    same: pl.Expr,
    alive: pl.Expr,
    counts: pl.Expr | None = None,
    moves: pl.Expr | None = None,
) -> pl.Series:
    """Return whether each day belongs to a run that is too long for chance.

    ``rows`` are sorted by ``by`` and day. ``same``: the day has the value of the day before and no
    other. ``alive``: the value moved and came back, as noise and warmth make it; a slow change to
    one side does not say that the sensor would move in resting soil. ``counts``: whether a day says
    anything of the habit (all do if it is not given). The share of such days that are not alive, on
    the quieter side of the run, to the power of the run's days must be below ``CHANCE``. Where
    ``moves`` is true on the run (something else of the sensor still moves), twice as many days are
    needed.
    """
    counted = (counts if counts is not None else pl.lit(True)).fill_null(False)
    out = rows.select(
        *by,
        same=same.fill_null(False),
        rest=(~alive.fill_null(False) & counted).cast(pl.Float64),
        counted=counted.cast(pl.Float64),
        moves=(moves if moves is not None else pl.lit(False)).fill_null(False),
    ).with_columns(run=pl.struct(*by, "same").rle_id())
    out = out.with_columns(
        *(
            around.over(by).alias(f"{name}_{side}")
            for name in ("rest", "counted")
            for side, around in _around(pl.col(name)).items()
        )
    ).with_columns(
        pl.col("rest_before", "counted_before").first().over("run"),
        pl.col("rest_after", "counted_after").last().over("run"),
        before=pl.int_range(pl.len()).over("run"),
        after=pl.int_range(pl.len(), 0, -1).over("run") - 1,
        until=pl.col("moves").cum_sum(),
    )
    row, seen = pl.int_range(pl.len()), {s: pl.col(s).clip(upper_bound=REACH) for s in _SIDES}
    first, last = row - seen["before"], row + seen["after"]
    out = out.with_columns(
        n=1 + seen["before"] + seen["after"],
        moving=pl.col("until").gather(last) > (pl.col("until") - pl.col("moves")).gather(first),
    )
    shares = [
        pl.when((pl.col(f"counted_{side}") >= LEAST_AROUND) & (pl.col(side) <= REACH)).then(
            (pl.col(f"rest_{side}") + 1.0) / (pl.col(f"counted_{side}") + 2.0)
        )
        for side in _SIDES
    ]
    share = pl.max_horizontal(*shares).fill_null(QUIET).clip(upper_bound=MOST_QUIET)
    needed = (log(CHANCE) / share.log()).clip(lower_bound=LEAST_D)
    needed = pl.when("moving").then(2.0 * needed).otherwise(needed)
    # The day before a run has its value too.
    return out.select((pl.col("same") & (pl.col("n") + 1 >= needed)).alias("stuck")).to_series()


def _around(value: pl.Expr) -> dict[str, pl.Expr]:
    """Sums over the days before a day, and over those after it."""
    back = value.reverse().rolling_sum(AROUND, min_samples=1).reverse()
    return {
        "before": value.rolling_sum(AROUND, min_samples=1).shift(1).fill_null(0.0),
        "after": back.shift(-1).fill_null(0.0),
    }
