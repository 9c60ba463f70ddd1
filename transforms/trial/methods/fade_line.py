"""A line of the response, or of its money, over the years since the operation, and draws of it.

Shared by ``response_fade``, ``field_outlook`` and ``more_evidence``: all must see the same future.
Seasons of one field share more than the practice, so where fields can be distinguished (several, one
of them with two seasons or more) the line allows for a scatter between fields (``field_effects``).
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray
from scipy import special

from transforms.trial.methods.field_effects import Mixture, alike, fitted
from transforms.trial.methods.shared_check import in_fields, once
from transforms.trial.methods.trial_pooling import Regression, fixed_points, regression

Array = NDArray[np.float64]

# Of the fixed draws: two for the line, one for its scale or scatters, one for the field, one for
# the seasons.
DIMENSIONS = 5

LEAST = 3  # site-years for a level
LEAST_FOR_SLOPE = 4


@dataclass(frozen=True, slots=True)
class Fade:
    """A level at the first year and a yearly change; ``middle`` and ``last`` of the years seen."""

    fit: Regression | Mixture
    sloped: bool
    middle: float
    last: int

    def draws(self) -> Array:
        """4096 fixed draws of (level at year 1, yearly change) of the fit."""
        points = fixed_points(DIMENSIONS)
        if isinstance(self.fit, Mixture):
            drawn = self.fit.draws(points[:, :3])
        else:
            scale = np.sqrt(self.fit.df / (2 * special.gammaincinv(self.fit.df / 2, points[:, 2])))
            size = self.fit.coefficients.size
            root = _root(self.fit.covariance)
            z = special.ndtri(points[:, :size]) * scale[:, None]
            drawn = self.fit.coefficients + np.asarray(z @ root.T)
        flat = np.zeros((drawn.shape[0], 0 if self.sloped else 1))
        return np.hstack([drawn, flat])

    def field_draws(self, member: NDArray[np.bool_]) -> Array:
        """``draws`` of one field: the line with that field's own lasting departure.

        ``member``: which of the fitted site-years are the field's. Where fields cannot be distinguished,
        all the scatter between several fields is the field's own.
        """
        lines, points = self.draws(), fixed_points(DIMENSIONS)
        if isinstance(self.fit, Mixture):
            fitted_part = lines[:, : self.fit.coefficients.shape[1]]
            departure = self.fit.field_draws(fitted_part, points[:, 2:4], member)
        elif member.all():
            departure = np.zeros(lines.shape[0])
        else:
            departure = self.fit.tau2**0.5 * special.ndtri(points[:, 3])
        return np.column_stack([lines[:, 0] + departure, lines[:, 1]])

    @property
    def line(self) -> Array:
        """(level at year 1, yearly change), the change 0 if unknown."""
        found = self.fit.line if isinstance(self.fit, Mixture) else self.fit.coefficients
        return found if self.sloped else np.append(found, 0.0)

    @property
    def season_var(self) -> float:
        """Variance of true values about the line, within a field where fields are distinguished."""
        return self.fit.season_var if isinstance(self.fit, Mixture) else self.fit.tau2

    @property
    def scatter(self) -> float:
        """Variance of true values about the line, fields and seasons together."""
        between = self.fit.field_var if isinstance(self.fit, Mixture) else 0.0
        return self.season_var + between

    def values(self, lines: Array, years: ArrayLike, *, may_rise: bool = False) -> Array:
        """Values of lines (n x 2) at years (m): n x m.

        A fade ends at nothing, not below: the strips are alike again. A response that starts
        below nothing is left as it is. Nothing is known that makes a response grow by itself, so
        a rising line counts at its level in the middle of the years seen; with ``may_rise`` it is
        shown as fitted.
        """
        t = np.asarray(years, dtype=np.float64)
        level, change = lines[:, :1], lines[:, 1:]
        value = level + change * (t[None, :] - 1)
        flat = value if may_rise else level + change * (self.middle - 1)
        held: Array = np.where(change > 0, flat, np.maximum(value, np.minimum(level, 0.0)))
        return held


def _root(covariance: Array) -> Array:
    """A square root of a covariance, also of a singular one (all trials alike)."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


def fade(
    value: ArrayLike,
    variance: ArrayLike,
    years_since: ArrayLike,
    field: ArrayLike,
    lasting: ArrayLike | None = None,
) -> Fade | None:
    """Random-effects line over the years since; a level alone if no slope is known.

    None under three site-years; a slope needs four and two different years. ``field``: the field
    of each site-year; ``lasting``: the part of each variance that all site-years of the field share.
    Where fields cannot be distinguished the line knows only a scatter between
    site-years.
    """
    y = np.asarray(value, dtype=np.float64)
    v = np.asarray(variance, dtype=np.float64)
    t = np.asarray(years_since, dtype=np.float64)
    names = np.asarray(field)
    if y.size < LEAST:
        return None
    sloped = y.size >= LEAST_FOR_SLOPE and np.unique(t).size > 1
    design = np.column_stack([np.ones(y.size), t - 1]) if sloped else np.ones((y.size, 1))
    fit = fitted(y, v, design, names, lasting) if alike(names) else regression(y, v, design)
    return Fade(fit, sloped, float(t.mean()), int(t.max()))


def money_and_response(
    response_cause: pl.DataFrame, payback: pl.DataFrame, comparison: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return both under their fields' names, strips of one practice, season and age taken once."""
    return (
        once(
            in_fields(response_cause, comparison),
            [],
            ["response_kg_ha", "response_pct"],
            ["shared_se_pct"],
            ["years_since"],
        ),
        once(
            in_fields(payback, comparison),
            [],
            ["season_net_per_ha"],
            ["season_net_se_per_ha"],
            ["years_since"],
        ),
    )


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


def cost_is_whole(practice: str, operation_cost: pl.DataFrame) -> bool:
    """Return whether the cost of some operation of the practice is known in all its parts."""
    return not operation_cost.filter(
        (pl.col("practice") == practice)
        & (pl.col("strip") == "treated")
        & pl.col("cost_per_ha").is_not_null()
        & ~pl.col("partial")
    ).is_empty()
