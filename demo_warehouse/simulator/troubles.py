"""Faults of a soil sensor's record: each takes readings and gives them back with one fault in.

A fault is a function of (generator, values in percent, step in minutes) that returns the changed
values and the first and the end row (half open) that it touched.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Trouble = Callable[[np.random.Generator, Array, int], tuple[Array, int, int]]


def _span(
    rng: np.random.Generator, rows: int, step_min: int, low_d: float, high_d: float
) -> tuple[int, int]:
    """A stretch of some days in the growing part of the record (its last 45 to 85 %)."""
    length = int(rng.uniform(low_d, high_d) * 1440 / step_min)
    start = int(rng.uniform(0.60, 0.85) * rows)
    return start, min(start + length, rows)


def stuck(rng: np.random.Generator, values: Array, step_min: int) -> tuple[Array, int, int]:
    """One value for five to fifteen days."""
    a, b = _span(rng, len(values), step_min, 5, 15)
    out = values.copy()
    out[a:b] = out[a]
    return out, a, b


def dead(rng: np.random.Generator, values: Array, step_min: int) -> tuple[Array, int, int]:
    """Zero for ten to forty days."""
    a, b = _span(rng, len(values), step_min, 10, 40)
    out = values.copy()
    out[a:b] = 0.0
    return out, a, b


def step(rng: np.random.Generator, values: Array, step_min: int) -> tuple[Array, int, int]:
    """A lasting jump of three to eight percent, as after a swap or a recalibration."""
    a, _ = _span(rng, len(values), step_min, 1, 2)
    out = values.copy()
    out[a:] += rng.uniform(3, 8) * rng.choice([-1, 1])
    return np.clip(out, 0, 100), a, len(values)


def spikes(rng: np.random.Generator, values: Array, step_min: int) -> tuple[Array, int, int]:
    """Thirty single values far off, over sixty days."""
    a, b = _span(rng, len(values), step_min, 60, 60)
    out = values.copy()
    at = rng.integers(a, b, 30)
    out[at] += rng.uniform(6, 25, 30) * rng.choice([-1, 1], 30)
    return np.clip(out, 0, 100), a, b


def gap(rng: np.random.Generator, values: Array, step_min: int) -> tuple[Array, int, int]:
    """No readings for three to twelve days."""
    a, b = _span(rng, len(values), step_min, 3, 12)
    out = values.copy()
    out[a:b] = np.nan
    return out, a, b


def warm(rng: np.random.Generator, values: Array, step_min: int) -> tuple[Array, int, int]:
    """A daily swing of half to one percent, as of a sensor that its cable's warmth reaches."""
    out = values.copy()
    hour = np.arange(1, len(out) + 1) * step_min / 60
    out += rng.uniform(0.25, 0.5) * np.cos(2 * np.pi * (hour - 16) / 24)
    return np.clip(out, 0, 100), 0, len(out)


def beside(rng: np.random.Generator, values: Array, step_min: int) -> tuple[Array, int, int]:
    """Water that runs down beside the probe: two sudden rises that fade over days."""
    a, b = _span(rng, len(values), step_min, 40, 40)
    out = values.copy()
    for at in rng.integers(a, b, 2):
        days = (np.arange(len(out)) - at) * step_min / 1440
        out += np.where(days >= 0, rng.uniform(2, 6) * np.exp(-np.clip(days, 0, 99) / 1.5), 0)
    return np.clip(out, 0, 100), a, b


def drift(rng: np.random.Generator, values: Array, step_min: int) -> tuple[Array, int, int]:
    """An aging of three to six percent over a year."""
    years = np.arange(len(values)) * step_min / 525600
    return np.clip(values + rng.uniform(3, 6) * rng.choice([-1, 1]) * years, 0, 100), 0, len(values)


TROUBLES: dict[str, Trouble] = {
    "stuck": stuck,
    "dead": dead,
    "step": step,
    "spikes": spikes,
    "gap": gap,
    "warm": warm,
    "beside": beside,
    "drift": drift,
}
