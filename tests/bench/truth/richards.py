"""One-dimensional flow of water in many soil columns at once (Richards' equation), mass closed.

The mixed form with modified Picard iteration of Celia, Bouloutas and Zarba (1990, Water Resour. Res.
26:1483): implicit in time, so that what enters, leaves and stays adds up to the tolerance of the
iteration. Depth grows downward; heads in cm, fluxes in cm/h, positive downward. Arrays are (strips,
cells). Steps that do not converge are halved.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dgtsv

from tests.bench.truth.hydraulics import Held

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
TOLERANCE_CM = 2e-7  # of water in a cell; a season's steps then close to well under 0.1 mm
ITERATIONS = 25
SHORTEST_H = 1 / 4096
SMALLEST_CAPACITY = 1e-6  # per cm, for the iteration only: the balance does not see it


class Soil(Protocol):
    """What the solver asks of a soil."""

    def at(self, head: Array) -> Held:
        """Water content, its change per cm of head, and hydraulic conductivity at a head."""


@dataclass(slots=True)
class Ends:
    """What a column is given at its ends and within over a step, rates in cm/h.

    ``supply`` is offered at the surface, ``ponded`` what stands there (cm); more than the soil takes at a
    surface head of 0 stays outside. ``evaporation`` leaves the top cell. ``sink`` (strips, cells)
    is what roots take less what comes through cracks. ``bottom_head`` at the lower border of the last
    cell; nan drains freely. ``thawed`` scales the conductivity.
    """

    supply: Array
    evaporation: Array
    sink: Array
    bottom_head: Array
    thawed: Array


@dataclass(slots=True)
class Step:
    """What became of a step: heads at its end, and amounts in cm over it."""

    head: Array
    entered: Array
    drained: Array


class Columns:
    """Columns of equal cells, their soil, and one step in time."""

    def __init__(self, soil: Soil, cell_cm: float, strips: int, cells: int) -> None:
        self.soil, self.cell = soil, cell_cm
        self.shape = (strips, cells)
        self.lower, self.upper = np.zeros(self.shape), np.zeros(self.shape)
        self.full = soil.at(np.zeros(self.shape)).conductivity[:, 0]

    def advance(self, head: Array, hours: float, ends: Ends) -> Step:
        """Move all columns on by ``hours``; raises ArithmeticError if the shortest step fails."""
        done, entered, drained = 0.0, np.zeros(self.shape[0]), np.zeros(self.shape[0])
        step = hours
        while done < hours - 1e-9:
            step = min(step, hours - done)
            found = self._solve(head, step, ends)
            if found is None:
                step /= 2
                if step < SHORTEST_H:
                    raise ArithmeticError("a step of soil water does not converge")
                continue
            head = found.head
            entered += found.entered
            drained += found.drained
            done += step
            step *= 2
        return Step(head, entered, drained)

    def _solve(self, before: Array, hours: float, ends: Ends) -> Step | None:
        cell, soil = self.cell, self.soil
        state = soil.at(before)
        water = state.water
        head = before.copy()
        free = np.isnan(ends.bottom_head)
        below = np.where(free, 0.0, ends.bottom_head)
        for round_ in range(ITERATIONS):
            if round_:
                state = soil.at(head)
            conduct = state.conductivity * ends.thawed
            between = (conduct[:, :-1] + conduct[:, 1:]) / 2
            flow = between * (1 - (head[:, 1:] - head[:, :-1]) / cell)
            # The surface takes what is offered, or what a surface head of 0 pushes in, if that is less.
            top = (conduct[:, 0] + self.full * ends.thawed[:, 0]) / 2
            most = top * (1 + (0.0 - head[:, 0]) / (cell / 2))
            limited = ends.supply > most
            into = np.where(limited, most, ends.supply)
            last = conduct[:, -1]
            out = last * np.where(free, 1.0, 1 - (below - head[:, -1]) / (cell / 2))
            net = np.empty(self.shape)
            net[:, 0] = into - ends.evaporation - flow[:, 0]
            net[:, 1:-1] = flow[:, :-1] - flow[:, 1:]
            net[:, -1] = flow[:, -1] - out
            net -= ends.sink
            missing = net - cell * (state.water - water) / hours
            if np.abs(missing).max() * hours < TOLERANCE_CM:
                return Step(head, into * hours, out * hours)
            diagonal = cell * np.maximum(state.capacity, SMALLEST_CAPACITY) / hours
            diagonal[:, :-1] += between / cell
            diagonal[:, 1:] += between / cell
            diagonal[:, 0] += np.where(limited, top / (cell / 2), 0.0)
            diagonal[:, -1] += np.where(free, 0.0, last / (cell / 2))
            self.upper[:, :-1] = -between / cell
            self.lower[:, 1:] = -between / cell
            *_, change, info = dgtsv(
                self.lower.ravel()[1:], diagonal.ravel(), self.upper.ravel()[:-1], missing.ravel()
            )
            if info != 0 or not np.isfinite(change).all():
                return None
            # At the air-entry head the capacity has a kink, over which full steps may swing.
            damped = 1.0 if round_ < ITERATIONS // 3 else 0.5
            head = head + damped * change.reshape(self.shape)
        return None
