"""The soil-water balance of many strips, hour by hour; every term is booked, so that it closes."""

import numpy as np
from numpy.typing import NDArray

from demo_warehouse.simulator.forcing import Forcing, Truth
from demo_warehouse.simulator.ground import SLICES, THICK_MM, Column
from demo_warehouse.simulator.heat import unfrozen_share
from demo_warehouse.simulator.strips import Strips

Array = NDArray[np.float64]


def _steps(forcing: Forcing, every_h: int) -> NDArray[np.bool_]:
    """In which hours a strip's balance is struck, (hours, strips).

    Always where water comes and in the six hours after; else at the end of every ``every_h`` hours,
    and where the ground is frozen and nothing is asked of it at the end of every fourth: nothing
    moves fast then.
    """
    hour = np.arange(len(forcing.supply_mm))[:, None]
    frost = (forcing.soil_temp_c.min(axis=2) < -0.5)[:, forcing.site]
    still = (forcing.evaporation_mm + forcing.transpiration_mm) <= 0
    block = np.where(frost & still, 4, every_h)
    wet = forcing.supply_mm > 0
    came = np.cumsum(wet, axis=0)
    wet[6:] |= came[6:] > came[:-6]
    return np.asarray(wet | (hour % block == block - 1))


def _between(theta: NDArray[np.float32], steps: NDArray[np.bool_], start: Array) -> None:
    """Fill the hours between the steps of each strip by straight lines, in place."""
    hours = np.arange(len(theta))
    for s in range(theta.shape[1]):
        done = np.flatnonzero(steps[:, s])
        after = np.searchsorted(done, hours)
        gaps = np.flatnonzero(~steps[:, s])
        ends = done[np.minimum(after[gaps], len(done) - 1)]
        begins = np.where(after[gaps] > 0, done[np.maximum(after[gaps] - 1, 0)], -1)
        part = ((gaps - begins) / np.maximum(ends - begins, 1)).astype(np.float32)[:, None]
        first = np.where(begins[:, None] >= 0, theta[begins, s], start[s].astype(np.float32))
        theta[gaps, s] = first + part * (theta[ends, s] - first)


class _Books:
    """The daily sums of a run, by the names of ``Truth``: each (days, strips), in mm or cm."""

    def __init__(self, days: int, strips: int) -> None:
        self.evaporation_mm = np.zeros((days, strips))
        self.drainage_mm = np.zeros((days, strips))
        self.runoff_mm = np.zeros((days, strips))
        self.infiltration_mm = np.zeros((days, strips))
        self.storage_mm = np.zeros((days, strips))
        self.pond_mm = np.zeros((days, strips))
        self.front_cm = np.zeros((days, strips))
        self.uptake_mm = np.zeros((days, strips, SLICES))


def run(col: Column, forcing: Forcing, start: Array, every_h: int = 1) -> Truth:
    """The balance of all strips over all hours; ``start`` is the water content, (strips, slices).

    ``every_h``: hours between steps where no water comes (a divisor of 24); between them the
    water content runs straight.
    """
    hours, strips = forcing.supply_mm.shape
    state = Strips(col, forcing, start)
    books = _Books(hours // 24, strips)
    theta = np.zeros((hours, strips, SLICES), dtype=np.float32)
    steps = _steps(forcing, every_h)
    waited = np.zeros((strips, 1))
    owed = np.zeros((2, strips))
    for i in range(hours):
        waited += 1
        owed[0] += forcing.evaporation_mm[i]
        owed[1] += forcing.transpiration_mm[i]
        now = steps[i]
        if now.any() or i % 24 == 23:
            step = np.where(now[:, None], waited, 0.0)
            _hour(state, books, i, step, np.where(now, owed, 0.0))
            waited = waited - step
            owed = np.where(now, 0.0, owed)
        theta[i] = state.theta
        if i % 24 == 23:
            _day(state, books, i)
    _between(theta, steps, start)
    return Truth(theta=theta, start_mm=(start * THICK_MM).sum(axis=1), **vars(books))


def _hour(state: Strips, books: _Books, i: int, step: Array, owed: Array) -> None:
    """Strike the balance at the end of hour ``i`` for ``step`` hours of each strip."""
    force, d = state.force, i // 24
    hard = force.hardness[d]
    thawed, frozen = state.ones, state.zeros
    if state.coldest[i] < 0:
        thawed = ((unfrozen_share(force.soil_temp_c[i][force.site]) - 0.4) / 0.6) ** 3
        frozen = (1 - thawed[:, :4].min(axis=1)) * (0.75 + 0.25 * hard)
    if force.supply_mm[i].any() or state.pond.any():
        entered, ran = state.infiltrate(force.supply_mm[i], frozen, hard)
        books.infiltration_mm[d] += entered
        books.runoff_mm[d] += ran
    if owed[0].any():
        books.evaporation_mm[d] += state.evaporate(owed[0])
    if owed[1].any():
        books.uptake_mm[d] += state.take_up(owed[1] * force.uptake_allowed, thawed)
    books.drainage_mm[d] += state.drain(thawed, hard, step) + state.redistribute(thawed, step)


def _day(state: Strips, books: _Books, i: int) -> None:
    """Let the roots grow and write down the day that ends with hour ``i``."""
    force, d = state.force, i // 24
    state.grow(
        force.root_cm_h[i - 23 : i + 1].sum(axis=0),
        force.root_limit_cm[i],
        force.alive[i],
        force.soil_temp_c[i][force.site],
        force.hardness[d],
    )
    books.storage_mm[d] = (state.theta * THICK_MM).sum(axis=1)
    books.pond_mm[d] = state.pond
    books.front_cm[d] = state.front
