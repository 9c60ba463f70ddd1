"""Probability that an operation has paid, each response drawn toward what the whole farm shows.

Taken by itself a field that measured well has mostly been lucky, and one that measured badly
unlucky, the more so where site-years hardly differ in truth: probabilities made of each field's
own responses were too shy of the farm's mean (said 30 %, true 44 % in simulation). So where the
farm has several fields the true responses are taken from the line through all its site-years of
the practice, with the scatter of fields and of their seasons held open (``field_effects``, best
linear unbiased prediction), in percent of the check yield. The measured sum and its interval stay
as they are.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import special

from transforms.trial.methods.fade_line import fade
from transforms.trial.methods.field_effects import Mixture

Array = NDArray[np.float64]
Run = tuple[object, object, object]  # field, operation day, season


@dataclass(frozen=True, slots=True)
class Drawn:
    """The true responses (kg/ha) of a practice's site-years as the farm's line has them."""

    chance: Array
    mean: Array
    covariance: Array
    place: Mapping[Run, int]

    def above(
        self, keys: list[Run], price: Array, needed: float, other_var: float, df: float
    ) -> float | None:
        """Return the probability that price times true response sums to more than ``needed``.

        ``keys``: the site-years of the sum, ``price`` their prices; ``other_var``: variance from
        elsewhere (prices); ``df``: freedom of the errors, for Student's t. None if a site-year is
        not part of the line.
        """
        if not all(key in self.place for key in keys):
            return None
        weight = np.zeros(self.mean.shape[1])
        for key, per_kg in zip(keys, price, strict=True):
            weight[self.place[key]] = per_kg
        middle = self.mean @ weight - needed
        variance = np.einsum("n,gnm,m->g", weight, self.covariance, weight) + other_var
        sd = np.sqrt(np.maximum(variance, 1e-300))
        return float(self.chance @ special.stdtr(df, middle / sd))


def drawn(seasons: pl.DataFrame) -> dict[str, Drawn]:
    """By practice, from rows with field, operation_day, season, years_since, response_kg_ha,
    response_se_kg_ha, lasting_se_kg_ha and check_kg_ha; only practices of which fields can be distinguished.
    """
    found = {}
    known = seasons.filter(
        (pl.col("check_kg_ha") > 0)
        & pl.col("response_kg_ha").is_finite()
        & pl.col("response_se_kg_ha").is_finite()
        & pl.col("years_since").is_not_null()
    ).sort("field", "operation_day", "season")
    for (practice,), group in known.group_by("practice", maintain_order=True):
        level = group["check_kg_ha"].to_numpy() / 100
        line = fade(
            group["response_kg_ha"].to_numpy() / level,
            (group["response_se_kg_ha"].to_numpy() / level) ** 2,
            group["years_since"],
            group["field"],
            (group["lasting_se_kg_ha"].fill_null(0.0).to_numpy() / level) ** 2,
        )
        if line is None or not isinstance(line.fit, Mixture):
            continue
        mean, covariance = line.fit.true_values()
        keys = group.select("field", "operation_day", "season").rows()
        found[str(practice)] = Drawn(
            line.fit.chance,
            mean * level,
            covariance * level[None, :, None] * level[None, None, :],
            {(f, d, s): at for at, (f, d, s) in enumerate(keys)},
        )
    return found
