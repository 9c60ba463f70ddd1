"""A made-up series of uptake with a known start, for the tests of roots."""

from __future__ import annotations

import numpy as np

from transforms.roots.methods.root_onset import (
    Array,
)

DAYS = 120


def series(start: float | None, height: float = 0.4, noise: float = 0.08, seed: int = 0) -> Array:
    """Uptake that begins at ``start`` and rises within ten days, fitful as weather makes it."""
    rng = np.random.default_rng(seed)
    day = np.arange(DAYS)
    rise = np.zeros(DAYS) if start is None else np.clip((day - start) / 10, 0, 1)
    fitful = rng.uniform(0.4, 1.4, DAYS)
    return np.asarray(height * rise * fitful + rng.normal(0, noise, DAYS))
