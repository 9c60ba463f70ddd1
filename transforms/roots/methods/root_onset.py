"""The day on which sustained uptake begins in a series of daily uptakes, with its interval.

Two steps. First, whether: two weeks (at least seven days of them measured) whose mean and median
uptake stand out of the noise, and two weeks after them that still do; where the record ends before
that, the first two must stand out by more. The median is asked too because a few days of water
running through lift a mean, in bare soil as well. The noise is taken from the series itself, from the
differences of neighboring days, so that what weather and temperature leave behind counts as noise.

Second, when: uptake that is nothing before a day and then rises evenly to a level that stands is
fitted around those weeks, for every starting day and several lengths of rise, by least squares
weighted with the noise and with how fitful uptake is. The best is taken; all that fit nearly as
well make the interval. This is the broken-line regression of Muggeo 2003 (Statistics in Medicine
22, 3055-3071, doi:10.1002/sim.1545) with a second break.

A sensor sees some centimetres around it: uptake begins while the front is still above its middle,
and the front comes there some days later (``sight_d``), whatever the length of the rise. How many
depends on the shape of the roots: if they are as dense at their tip as above, the rise is half
done when the tip passes, and the front is later; if they thicken slowly behind the tip the rise
is long, begins late to the eye, and the front is earlier. No number is right for all, so the middle
is taken and the interval spans both (``SHAPES_D``). Daily balances also see the water that a layer
loses upwards to the roots above: there the front is put where the rise has come to a share of its
height, and only clear uptake counts (``BY_BALANCE``).

For the lead of one strip over the other both fits are put together (``shift``): the same demand
for water every day, which takes out most of what is fitful in uptake, and the same length of rise,
so that what is unsure of the rise's shape falls out of the difference. The lead is the mean over
the pairs of starts near the two days by their likelihood; its interval holds all that fit nearly as
well.

Shares, days of sight, lengths of the rise and ``INTERVAL`` were set on simulated strips, by the worst of
several physics (seeds apart from those of the benches).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

STRETCH_D = 14
LEAST_OF_STRETCH = 7
STANDS_OUT = 4.0  # standard errors of the stretch
HALF_STANDS_OUT = 2.0  # of its median
GOES_ON = 2.0  # of the fortnight after it
LEVEL = 0.33  # of the stretch's mean, that the fortnight after it must hold
ALONE = 5.0  # of a stretch after which too few days were measured
MEDIAN_ERROR = 1.25  # standard error of a median in that of a mean (normal law)
BEFORE_D, AFTER_D = 25, 8  # days around the stretch's first and last day in the fit
RAMPS_D = (4, 8, 12, 18, 24)
FITFUL = 0.6  # how much uptake varies with the weather, as a share of itself
FITFUL_OF_DEMAND = 0.3  # the same once the day's demand is taken out
LEAST_DEMAND = 0.2  # of the usual; a day's demand is not believed less
ONE_PLACE_D = 10  # leads farther from what the days of both strips say are of another place
INTERVAL = 6.0  # rise of the weighted squares; chi-squared says 2.7, but 90 % are held by 6


NOISE_FLOOR_PCT_D = 0.03  # no day's uptake is believed better than this
HINT = 1.5  # standard errors above which a fortnight is no longer quiet


@dataclass(frozen=True, slots=True)
class Look:
    """How a series is looked at."""

    least_pct_d: float  # mean uptake of a stretch below which it is not taken for roots
    passed: float  # share of the rise at which the front passes the sensor
    sight_d: float  # and at most so many days after the rise begins


BY_PULSE = Look(0.04, 0.5, 2.5)
BY_BALANCE = Look(0.2, 0.4, np.inf)
SHAPES_D = 2.0  # by which the front may be earlier or later, by the shape of the roots


@dataclass(frozen=True, slots=True)
class Onset:
    """Days as positions in the series, fractions kept; NaN where there is none."""

    day: float
    low: float
    high: float


NONE = Onset(np.nan, np.nan, np.nan)


@dataclass(frozen=True, slots=True)
class Fit:
    """Weighted squares left by every start (rows) and length of rise (columns), in units of noise."""

    begin: Array
    left: Array


def onset(uptake: Array, look: Look = BY_PULSE, not_before: float = -np.inf) -> Onset:
    """When sustained uptake begins in ``uptake`` (% by volume a day, NaN where not measured).

    One value a day without gaps in the index. ``not_before``: the position before which roots cannot
    have come. ``NONE`` where there is no sustained uptake.
    """
    found = fit(uptake, look)
    if found is None:
        return NONE
    front = found.begin[:, None] + np.minimum(look.passed * np.array(RAMPS_D), look.sight_d)
    front = np.maximum(front, not_before)
    near = front[found.left <= found.left.min() + INTERVAL]
    best = front.ravel()[int(np.argmin(found.left))]
    low = max(float(near.min()) - SHAPES_D, not_before)
    return Onset(float(best), low, float(near.max()) + SHAPES_D)


def fit(uptake: Array, look: Look = BY_PULSE, demand: Array | None = None) -> Fit | None:
    """The fit of a rise to ``uptake``; None where there is no sustained uptake.

    ``demand``: what the weather asked for each day, in any unit (NaN where not known).
    """
    known = np.isfinite(uptake)
    if known.sum() < LEAST_OF_STRETCH:
        return None
    noise = _noise(uptake[known])
    start = _stretch(uptake, known, noise, look.least_pct_d)
    return _rises(uptake, known, start, noise, demand) if start >= 0 else None


def shift(first: Fit, other: Fit, about: float) -> Onset:
    """By how many days ``other`` began later than ``first``, with its interval.

    Both fits are of series that begin on the same day. ``about``: the difference of the days on
    which each began by itself. A long gap may leave a second place that fits; the mean of two
    places would be neither, so the lead stays within ``ONE_PLACE_D`` days of that difference.
    """
    apart = other.begin[None, :] - first.begin[:, None]
    together = first.left[:, None, :] + other.left[None, :, :]  # start x start x length of rise
    together = together - together.min()
    near = apart[together.min(axis=2) <= INTERVAL]
    here = np.abs(apart - about) <= ONE_PLACE_D
    likelihood = np.exp(-(together - together[here].min()) / 2).sum(axis=2) * here
    lead = float((likelihood * apart).sum() / likelihood.sum())
    return Onset(lead, min(float(near.min()), lead), max(float(near.max()), lead))


def quiet_until(uptake: Array) -> int:
    """Last position up to which no fortnight shows even weak uptake; -1 where none is quiet.

    Where no sustained uptake was found, roots may still have come and drawn too little to be
    sure of. Before this day they had not.
    """
    known = np.isfinite(uptake)
    if known.sum() < LEAST_OF_STRETCH:
        return -1
    sums, counts = _running(uptake, known)
    begin = np.arange(max(len(uptake) - STRETCH_D, 0) + 1)
    end = np.minimum(begin + STRETCH_D, len(uptake))
    n = np.maximum(counts[end] - counts[begin], 1)
    hint = (sums[end] - sums[begin]) / n > HINT * _noise(uptake[known]) / np.sqrt(n)
    hits = np.flatnonzero(hint & (n >= LEAST_OF_STRETCH))
    return int(hits[0]) - 1 if len(hits) else max(len(uptake) - STRETCH_D, 0)


def _running(uptake: Array, known: NDArray[np.bool_]) -> tuple[Array, NDArray[np.int64]]:
    """Sums and counts of the measured days before each position."""
    sums = np.concatenate([[0.0], np.cumsum(np.where(known, uptake, 0.0))])
    return sums, np.concatenate([[0], np.cumsum(known)]).astype(np.int64)


def _noise(values: Array) -> float:
    """Standard deviation of a day from differences of neighbors, blind to slow change."""
    steps = np.diff(values)
    spread = float(1.4826 * np.median(np.abs(steps)) / np.sqrt(2)) if len(steps) else 0.0
    return max(spread, NOISE_FLOOR_PCT_D)


def _stretch(uptake: Array, known: NDArray[np.bool_], noise: float, least_pct_d: float) -> int:
    """First day of the first stretch that stands out and goes on; -1 where there is none."""
    padded = np.concatenate([np.where(known, uptake, np.nan), np.full(2 * STRETCH_D, np.nan)])
    stretches = np.lib.stride_tricks.sliding_window_view(padded, STRETCH_D)
    days = len(uptake)
    mean, median, error = _middles(stretches, noise)
    own, after = slice(0, days), slice(STRETCH_D, STRETCH_D + days)
    mean, half, later = mean[own], median[own], median[after]
    own_error, later_error = error[own], error[after]
    stands_out = (mean >= STANDS_OUT * own_error) & (mean >= least_pct_d)
    stands_out &= half >= HALF_STANDS_OUT * MEDIAN_ERROR * own_error
    goes_on = (later >= GOES_ON * MEDIAN_ERROR * later_error) & (later >= least_pct_d)
    goes_on &= later >= LEVEL * mean
    untold = ~np.isfinite(later)
    alone = (half >= ALONE * MEDIAN_ERROR * own_error) & (half >= least_pct_d)
    hits = np.flatnonzero(stands_out & (goes_on | (untold & alone)))
    return int(hits[0]) if len(hits) else -1


def _middles(rows: Array, noise: float) -> tuple[Array, Array, Array]:
    """Mean and median of each row, and the standard error of its mean; NaN where days are too few.

    What is not measured is sorted last: numpy's own median without it takes many times as long.
    """
    n = np.isfinite(rows).sum(axis=1)
    enough = n >= LEAST_OF_STRETCH
    mean, median = np.full(len(rows), np.nan), np.full(len(rows), np.nan)
    mean[enough] = np.nanmean(rows[enough], axis=1)
    lined_up = np.sort(rows[enough], axis=1)
    row, of = np.arange(len(lined_up)), n[enough]
    median[enough] = (lined_up[row, (of - 1) // 2] + lined_up[row, of // 2]) / 2
    return mean, median, noise / np.sqrt(np.maximum(n, 1))


def _level(day: Array, value: Array) -> Array:
    """Mean of the week around each day, not below zero."""
    near = (np.abs(day[:, None] - day[None, :]) <= 3).astype(float)
    return np.asarray(np.clip(near @ value / near.sum(axis=1), 0, None))


def _rises(
    uptake: Array, known: NDArray[np.bool_], start: int, noise: float, demand: Array | None
) -> Fit:
    """All ramps around the stretch, each with its best height."""
    first = max(start - BEFORE_D, 0)
    last = min(start + STRETCH_D + AFTER_D, len(uptake))
    day = np.arange(first, last)[known[first:last]].astype(float)
    value = uptake[first:last][known[first:last]]
    asked = np.ones(len(day)) if demand is None else demand[first:last][known[first:last]]
    fitful = FITFUL if demand is None else FITFUL_OF_DEMAND
    begins = np.arange(first - RAMPS_D[-1], last - 3, 0.5)
    begin, ramp = (grid.ravel() for grid in np.meshgrid(begins, RAMPS_D, indexing="ij"))
    shape = np.clip((day[None, :] - begin[:, None]) / ramp[:, None], 0, 1) * _usual(asked)
    weight = 1 / (noise**2 + (fitful * _level(day, value)) ** 2)
    square = (shape**2) @ weight
    height = np.clip(shape @ (weight * value) / np.maximum(square, 1e-9), 0, None)
    left = (value - height[:, None] * shape) ** 2 @ weight
    spread = max(left.min() / max(len(day) - 3, 1), 1.0)
    return Fit(begins, (left / spread).reshape(len(begins), len(RAMPS_D)))


def _usual(demand: Array) -> Array:
    """Demand as a share of its mean over the days that have one; 1 where it is not known."""
    known = np.isfinite(demand)
    mean = float(demand[known].mean()) if known.any() else 0.0
    if mean <= 0:
        return np.ones(len(demand))
    return np.asarray(np.where(known, np.maximum(demand / mean, LEAST_DEMAND), 1.0))
