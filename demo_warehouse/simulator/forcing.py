"""What drives the strips of soil, and what came of it: arrays over time, strips and slices."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Forcing:
    """What drives the strips: (hours, strips) unless said otherwise."""

    supply_mm: Array
    soil_temp_c: NDArray[np.float32]  # (hours, sites, slices)
    site: NDArray[np.int64]  # (strips,): the site whose soil temperature a strip has
    transpiration_mm: Array
    evaporation_mm: Array
    root_cm_h: Array
    root_limit_cm: Array
    alive: NDArray[np.bool_]
    pan: Array  # (strips, slices): share of the slice in the compacted layer
    hardness: Array  # (days, strips): 0 no pan, 1 full pan
    uptake_allowed: NDArray[np.bool_]  # (strips,): false for bare soil


@dataclass(frozen=True, slots=True)
class Truth:
    """What happened: by day and strip in mm, except theta (hours, strips, slices) and front in cm."""

    theta: NDArray[np.float32]  # at the end of the hour
    uptake_mm: Array  # (days, strips, slices)
    evaporation_mm: Array
    drainage_mm: Array
    runoff_mm: Array
    infiltration_mm: Array
    storage_mm: Array  # at the end of the day
    pond_mm: Array  # at the end of the day
    front_cm: Array  # at the end of the day
    start_mm: Array  # (strips,): storage at the start
