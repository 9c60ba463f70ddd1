"""A line through site-years of which those of one field are alike, integrated over what is not known.

Model: y = X b + field + season + error, with a scatter between fields (variance ``field_var``), one
between the seasons of a field (``season_var``), and each site-year's own known variance: the
three-level random-effects regression (Konstantopoulos 2011, Research Synthesis Methods 2,
doi 10.1002/jrsm.35). With three or four fields no single value of the two scatters can be trusted,
and the usual t on a fitted one covers too little or far too much. So both are held open: over a
grid of standard deviations each pair counts by its restricted likelihood and a weak prior, and what
is said is the mixture over the grid (as in Roever 2020, Journal of Statistical Software 93,
doi 10.18637/jss.v093.i06). Priors: flat for the seasons' standard deviation, half-normal for the
fields' (Roever and others 2021, doi 10.1002/jrsm.1475), both scaled by the scatter of the data, so
that units do not matter. Coverage by simulation is in ``tests/bench/FIGURES.md``.
"""

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray
from scipy import special

from transforms.trial.methods.trial_statistics import CONFIDENCE, Interval

Array = NDArray[np.float64]

STEPS = 16  # of the grid, each way; fewer where the site-years are many, to bound the memory
CELLS = 2e7
WIDEST = 2.0  # scatters of the data up to which a standard deviation is thought possible


@dataclass(frozen=True, slots=True)
class Mixture:
    """What the grid says: g pairs of scatters, p coefficients, n site-years.

    ``chance`` (g) sums to 1; ``coefficients`` (g x p) and ``covariance`` (g x p x p) belong to each
    pair; ``errors`` (n x n) is the covariance of the site-years' own errors, ``inverse`` (g x n x n)
    that of all the data inverted, ``data`` (n) the values.
    """

    chance: Array
    coefficients: Array
    covariance: Array
    field_vars: Array
    season_vars: Array
    errors: Array
    design: Array
    inverse: Array
    data: Array

    @property
    def line(self) -> Array:
        """Coefficients to expect."""
        return np.asarray(self.chance @ self.coefficients)

    @property
    def field_var(self) -> float:
        """Variance between fields to expect."""
        return float(self.chance @ self.field_vars)

    @property
    def season_var(self) -> float:
        """Variance between seasons of a field to expect."""
        return float(self.chance @ self.season_vars)

    def at(self, row: ArrayLike) -> Interval:
        """Mean, standard deviation, 95 % limits and two-sided p of zero of the line at a row of the design."""
        x = np.asarray(row, dtype=np.float64)
        middle = self.coefficients @ x
        spread = np.sqrt(np.einsum("p,gpq,q->g", x, self.covariance, x))
        mean = float(self.chance @ middle)
        sd = float(np.sqrt(self.chance @ (spread**2 + (middle - mean) ** 2)))
        tail = (1 - CONFIDENCE) / 2
        low, high = (self._quantile(middle, spread, q) for q in (tail, 1 - tail))
        below = float(self.chance @ special.ndtr(-middle / spread))
        return Interval(mean, sd, np.inf, 2 * min(below, 1 - below), low, high)

    def _quantile(self, middle: Array, spread: Array, share: float) -> float:
        def over(value: float) -> float:
            return float(self.chance @ special.ndtr((value - middle) / spread)) - share

        far = 12 * float(spread.max())
        return float(scipy.optimize.brentq(over, middle.min() - far, middle.max() + far))

    def draws(self, points: Array) -> Array:
        """Coefficients drawn at fixed points (m x p + 1, between 0 and 1): m x p."""
        cell = self._cells(points[:, -1])
        root = np.linalg.cholesky(self.covariance)
        size = self.coefficients.shape[1]
        z = special.ndtri(points[:, :size])
        return np.asarray(self.coefficients[cell] + np.einsum("mpq,mq->mp", root[cell], z))

    def field_draws(self, lines: Array, points: Array, member: NDArray[np.bool_]) -> Array:
        """A field's lasting departure from each of ``lines`` (m x p), drawn by ``draws``: m.

        ``points`` (m x 2): the column that chose the pair of scatters, and one for the departure.
        ``member`` (n): the field's own site-years; with none it is drawn from all fields' scatter.
        Given the line and the scatters it is normal (Robinson 1991, as in ``true_values``).
        """
        cell = self._cells(points[:, 0])
        weight = self.field_vars[:, None] * (self.inverse @ member.astype(np.float64))
        left = self.field_vars * (1 - weight @ member.astype(np.float64))
        rest = self.data[None, :] - lines @ self.design.T
        middle = np.einsum("mn,mn->m", rest, weight[cell])
        return np.asarray(
            middle + np.sqrt(np.maximum(left[cell], 0.0)) * special.ndtri(points[:, 1])
        )

    def _cells(self, share: Array) -> NDArray[np.intp]:
        """The pair of scatters that each share (between 0 and 1) of the grid's chance falls on."""
        cell = np.searchsorted(np.cumsum(self.chance), share * (1 - 1e-12))
        return np.minimum(cell, self.chance.size - 1)

    def true_values(self) -> tuple[Array, Array]:
        """The site-years' true values: to expect (g x n), and their covariance (g x n x n).

        Each is drawn toward its line and its field's other seasons as far as its own error and the
        scatters ask: with projection P = V^-1 - V^-1 X C X' V^-1 and D the covariance of the own errors, the mean
        is y - D P y and the covariance D - D P D (the best linear unbiased prediction, Robinson
        1991, doi 10.1214/ss/1177011926).
        """
        side = self.inverse @ self.design
        projection = self.inverse - side @ self.covariance @ np.swapaxes(side, 1, 2)
        shrunk = self.errors[None, :, :] @ projection
        mean = self.data - (shrunk @ self.data)
        return np.asarray(mean), np.asarray(self.errors[None, :, :] - shrunk @ self.errors)


def alike(field: ArrayLike) -> bool:
    """Whether it can be seen in the data that fields differ: several, and one with two seasons."""
    names, counts = np.unique(np.asarray(field), return_counts=True)
    return bool(names.size > 1 and counts.max() > 1)


def fitted(
    y: ArrayLike,
    variances: ArrayLike,
    design: ArrayLike,
    field: ArrayLike,
    lasting: ArrayLike | None = None,
) -> Mixture:
    """Fit the model to site-years: values (n), variances (n), design (n x p), field of each (n).

    ``lasting``: the part of each variance that is one error for all site-years of the field, as the
    ground is. A variance that is nan counts as 0. Raises ValueError where site-years do not outnumber
    coefficients or columns are not independent.
    """
    a = np.asarray(y, dtype=np.float64)
    v = np.asarray(variances, dtype=np.float64)
    v = np.where(np.isfinite(v), v, 0.0)
    x = np.asarray(design, dtype=np.float64)
    n, p = x.shape
    if n <= p or np.linalg.matrix_rank(x) < p:
        raise ValueError("a pooled line needs more trials than coefficients, those independent")
    rest = a - x @ np.linalg.lstsq(x, a, rcond=None)[0]
    # Where nothing scatters a billionth of the values is used, so that there is a line at all.
    least = 1e-9 * max(float(np.abs(a).max()), 1.0)
    scale = max(float(np.sqrt(max(rest @ rest / (n - p), v.mean()))), least)
    steps = int(np.clip((CELLS / n**2) ** 0.5, 4, STEPS))
    sd = (np.arange(steps) + 0.5) / steps * WIDEST * scale
    season, between = (grid.ravel() ** 2 for grid in np.meshgrid(sd, sd, indexing="ij"))
    names = np.asarray(field)
    same = (names[:, None] == names[None, :]).astype(np.float64)
    common = np.zeros(n) if lasting is None else np.minimum(np.asarray(lasting, np.float64), v)
    root = np.sqrt(common)
    errors = np.diag(v - common) + np.outer(root, root) * same
    whole = errors[None, :, :] + season[:, None, None] * np.eye(n) + between[:, None, None] * same
    inverse = np.linalg.inv(whole)
    side = inverse @ x
    information = x.T @ side
    covariance: Array = np.asarray(np.linalg.inv(information), dtype=np.float64)
    beta = (covariance @ (np.swapaxes(side, 1, 2) @ a)[..., None])[..., 0]
    left = a - beta @ x.T
    likelihood = -0.5 * (
        np.linalg.slogdet(whole)[1]
        + np.linalg.slogdet(information)[1]
        + np.einsum("gn,gnm,gm->g", left, inverse, left)
    )
    weight = likelihood - 0.5 * between / scale**2
    weight = np.exp(weight - weight.max())
    return Mixture(weight / weight.sum(), beta, covariance, between, season, errors, x, inverse, a)
