"""What the work before a repeat would still have given, so that the repeat is credited with the rest.

The response after a repeat is against a check that was never worked, so it holds what the first work
still gives. That part is taken from the line of ``fade_line`` through the seasons after first
workings of the practice, with the field's own lasting departure, at the harvests since the earlier
work: what the field was on its way to. Its error (of the line, the field and the seasons) stays in
all that follows. As everywhere a fade ends at nothing and nothing grows by itself.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.trial.methods.fade_line import fade
from transforms.trial.methods.trial_statistics import CONFIDENCE

Array = NDArray[np.float64]

RUN = ["field", "operation_day"]
SEED = 20181106  # the same draws every time


@dataclass(frozen=True, slots=True)
class Earlier:
    """Draws (m x n) of what the earlier work would have given in each season of a repeat, in kg/ha."""

    draws: Array

    @property
    def mean(self) -> Array:
        """To expect, by season."""
        return np.asarray(self.draws.mean(axis=0))

    @property
    def limits(self) -> Array:
        """95 % limits by season: 2 x n."""
        return np.asarray(np.percentile(self.draws, _tails(), axis=0))

    def sum_less(
        self, price: Array, middle: float, se: float, df: float
    ) -> tuple[float, float, float]:
        """95 % limits of a sum that the earlier work is taken off, and the chance that it is above 0.

        ``middle``: the sum, less what is to expect; ``se`` and ``df`` (Student's t): its error
        without that of the earlier work; ``price``: of the first seasons, 0 where one does not count.
        """
        draws = self.draws.shape[0]
        rng = np.random.default_rng(SEED + 1)
        noise = rng.standard_normal(draws) if np.isinf(df) else rng.standard_t(df, draws)
        taken = np.nan_to_num(self.draws[:, : price.size]) @ price
        drawn = middle + se * noise - (taken - taken.mean())
        low, high = np.percentile(drawn, _tails())
        return float(low), float(high), float((drawn > 0).mean())


def _tails() -> list[float]:
    tail = 100 * (1 - CONFIDENCE) / 2
    return [tail, 100 - tail]


def earlier(seasons: pl.DataFrame) -> dict[tuple[object, object], Earlier]:
    """By field and operation day of a repeat: what the work before it would have given.

    ``seasons``: rows of ``payback`` with field, practice, operation_day, season, years_since,
    response_kg_ha, response_se_kg_ha, lasting_se_kg_ha, check_kg_ha, earlier_day and earlier_years
    (null after a first working). A repeat is left out where fewer than three site-years followed a
    first working, or a check yield is not known.
    """
    found = {}
    repeats = seasons.filter(pl.col("earlier_day").is_not_null()).sort(*RUN, "season")
    for (field, day), run in repeats.group_by(RUN, maintain_order=True):
        before = _before(seasons, str(run["practice"][0]), field, day)
        level = run["check_kg_ha"].cast(pl.Float64).fill_null(float("nan")).to_numpy() / 100
        one = _drawn(before, field, run["earlier_years"].to_numpy())
        if one is not None:
            found[field, day] = Earlier(one * level)
    return found


def with_marginal(run: pl.DataFrame, before: Earlier | None) -> pl.DataFrame:
    """Add what the earlier work would have given, and what a season adds beyond it.

    ``run``: the seasons of one operation as in ``earlier``, with season_net_per_ha and price_per_kg.
    Adds earlier_kg_ha with its limits (null after a first working), ``_added`` (kg/ha) and
    marginal_net_per_ha: for a first working the response and its net as they are; null for a repeat
    of which nothing can be taken off.
    """
    numbers = (before.mean, *before.limits) if before is not None else [[None] * run.height] * 3
    names = ("earlier_kg_ha", "earlier_low_kg_ha", "earlier_high_kg_ha")
    taken = (
        pl.when(pl.col("earlier_day").is_not_null()).then(pl.col("earlier_kg_ha")).otherwise(0.0)
    )
    return run.with_columns(
        pl.Series(name, values, pl.Float64).fill_nan(None)
        for name, values in zip(names, numbers, strict=True)
    ).with_columns(
        _added=pl.col("response_kg_ha") - taken,
        marginal_net_per_ha=pl.col("season_net_per_ha") - taken * pl.col("price_per_kg"),
    )


def _before(seasons: pl.DataFrame, practice: str, field: object, day: object) -> pl.DataFrame:
    """Site-years after a first working, and those of this field before the repeat, in percent."""
    own_before = (pl.col("field") == field) & (pl.col("operation_day") < pl.lit(day))
    return (
        seasons.filter(
            (pl.col("practice") == practice)
            & (pl.col("earlier_day").is_null() | own_before)
            & (pl.col("check_kg_ha") > 0)
            & pl.col("response_kg_ha").is_not_null()
            & pl.col("years_since").is_not_null()
        )
        .sort(*RUN, "season")
        .select(
            "field",
            "years_since",
            *(
                (100 * pl.col(f"{name}_kg_ha") / pl.col("check_kg_ha")).alias(name)
                for name in ("response", "response_se", "lasting_se")
            ),
        )
    )


def _drawn(before: pl.DataFrame, field: object, years: NDArray[np.int64]) -> Array | None:
    """Draws in percent of the check (m x n); None without a line."""
    line = fade(
        before["response"],
        before["response_se"].fill_null(float("nan")).to_numpy() ** 2,
        before["years_since"],
        before["field"],
        before["lasting_se"].fill_null(0.0).to_numpy() ** 2,
    )
    if line is None:
        return None
    lines = line.field_draws((before["field"] == field).to_numpy())
    value = line.values(lines, years)
    scatter = np.random.default_rng(SEED).standard_normal(value.shape)
    return np.asarray(value + line.season_var**0.5 * scatter)
