"""What a practice costs, and how its season net changes with the years since."""

from __future__ import annotations

import numpy as np
import polars as pl

from transforms.trial.methods.fade_line import Fade, fade


def money_line(practice: str, payback: pl.DataFrame) -> Fade | None:
    """Fit the season's net over the years since, of one practice; None if there are too few."""
    known = payback.filter(
        (pl.col("practice") == practice)
        & pl.col("season_net_per_ha").is_not_null()
        & pl.col("years_since").is_not_null()
    ).sort("field", "season")
    return fade(
        known["season_net_per_ha"],
        known["season_net_se_per_ha"].fill_null(float("nan")).to_numpy() ** 2,
        known["years_since"],
        known["field"],
    )


def practice_cost(practice: str, operation_cost: pl.DataFrame) -> float | None:
    """Return the mean cost of the practice's operations known whole, else of all known."""
    known = operation_cost.filter(
        (pl.col("practice") == practice)
        & (pl.col("strip") == "treated")
        & pl.col("cost_per_ha").is_not_null()
    )
    whole = known.filter(~pl.col("partial"))
    used = whole if whole.height else known
    return float(np.mean(used["cost_per_ha"].to_numpy())) if used.height else None
