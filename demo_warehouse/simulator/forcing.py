"""What drives the strips of soil, and what came of it: arrays over time, strips and slices."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from demo_warehouse.simulator.crops import Growth
from demo_warehouse.simulator.heat import Ground

Array = NDArray[np.float64]
ROOT_SCALE_CM = 38.0


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
    root_scale_cm: Array  # (strips,): over this depth the roots thin to a third


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


def of_pairs(
    base: Ground,
    grown: Sequence[Growth],
    pans: Sequence[Array],
    hardness: Array,
    *,
    cropped: bool,
    root_scale_cm: Sequence[float] | None = None,
    more_sites: Sequence[int] = (),
) -> Forcing:
    """Return what drives two strips at each site: they differ in ``hardness`` (days, strips) only.

    ``root_scale_cm``: by site, the depth over which roots thin to a third (ROOT_SCALE_CM).
    ``more_sites``: the sites of further strips, which come after the pairs.
    """
    scale = [ROOT_SCALE_CM] * len(grown) if root_scale_cm is None else root_scale_cm
    site = np.concatenate([np.repeat(np.arange(len(grown)), 2), np.array(more_sites, dtype=int)])

    def by_strip(of_site: Callable[[Growth], NDArray[Any]]) -> NDArray[Any]:
        return np.stack([of_site(growth) for growth in grown], axis=1)[:, site]

    return Forcing(
        base.supply_mm[:, site],
        base.soil_temp_c,
        site,
        by_strip(lambda growth: growth.transpiration_mm),
        by_strip(lambda growth: growth.evaporation_mm),
        by_strip(lambda growth: growth.root_cm_h),
        by_strip(lambda growth: growth.root_limit_cm),
        by_strip(lambda growth: growth.alive) & cropped,
        np.stack(pans)[site],
        hardness,
        np.full(len(site), cropped),
        np.array(scale, dtype=np.float64)[site],
    )
