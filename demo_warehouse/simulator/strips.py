"""The state of many strips of soil at once, and the steps that change it.

Rain and melt enter the uppermost slices, and part of a strong supply falls into cracks; water above
field capacity drains by gravity through macropores; the matrix redistributes by Darcy's law, day
and night, solved implicitly for the change of water content (conductivity of the step's start);
roots take up by weight and wetness with compensation (Jarvis 1989,
doi:10.1016/0022-1694(89)90050-4). All shapes are (strips, slices).
"""

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dgtsv

from demo_warehouse.simulator.forcing import Forcing
from demo_warehouse.simulator.ground import MIDDLE_CM, SLICES, THICK_CM, THICK_MM, Column

Array = NDArray[np.float64]
_GAP_CM = np.diff(MIDDLE_CM)
_POND_MM = 6.0
_PER_MM = 1 / THICK_MM
_PER_GAP = 1 / _GAP_CM
_TOP_SHARES = np.array([0.8, 0.2])


class Strips:
    """The state of all strips and the steps of one hour."""

    def __init__(self, col: Column, forcing: Forcing, start: Array) -> None:
        self.col, self.force = col, forcing
        self.theta = start.copy()
        strips = len(start)
        self.pond = np.zeros(strips)
        self.front = np.zeros(strips)
        self.root = np.zeros((strips, SLICES))
        self.range = col.field_capacity - col.wilting
        self.range_mm = self.range * THICK_MM
        self.air_dry = 0.5 * col.wilting[:, :2]
        self.wet_top = 0.85 * col.field_capacity[:, :2] - self.air_dry
        self.weight = np.exp(-MIDDLE_CM / forcing.root_scale_cm[:, None]) * THICK_CM
        self.below = np.maximum.accumulate(forcing.pan > 0, axis=1)
        crack = np.where((MIDDLE_CM > 5) & (MIDDLE_CM < 80), np.exp(-MIDDLE_CM / 30), 0.0)
        self.crack = np.repeat((crack / crack.sum())[None, :], strips, axis=0)
        self.slope_b = 2 * col.b + 3
        self.rows = np.arange(strips)
        self.ones, self.zeros = np.ones((strips, SLICES)), np.zeros(strips)
        self.coldest = forcing.soil_temp_c.reshape(len(forcing.soil_temp_c), -1).min(axis=1)
        self.drain_rate = (
            col.macropore_cm_h * 10 / ((col.saturation - col.field_capacity) * THICK_MM)
        )
        self.flow = np.zeros((strips, SLICES + 1))
        self.lower, self.upper = np.zeros((strips, SLICES)), np.zeros((strips, SLICES))

    def relative(self) -> Array:
        """Water above wilting as share of the available range."""
        return (self.theta - self.col.wilting) / self.range

    def infiltrate(self, supply: Array, frozen: Array, hardness: Array) -> tuple[Array, Array]:
        """Book supply into soil, pond and runoff; returns infiltration and runoff in mm."""
        room = np.clip(self.col.saturation - self.theta, 0, None) * THICK_MM
        water = supply + self.pond
        dry = np.clip(1 - self.relative()[:, 1], 0, 1)
        wanted = np.clip(water - 0.8, 0, None) * 0.30 * dry * (1 - frozen)
        open_ = np.where(self.below, 1 - 0.85 * hardness[:, None], 1.0)
        into = np.minimum(wanted[:, None] * self.crack * open_, room)
        limit = (20 - 8 * hardness) * (1 - 0.93 * frozen)
        top = np.minimum(np.minimum(water - into.sum(axis=1), limit), room[:, 0] - into[:, 0])
        into[:, 0] += np.clip(top, 0, None)
        for i in (1, 2):  # a wet top slice lets a strong rain through to the next
            more = np.minimum(np.minimum(water, limit) - into.sum(axis=1), room[:, i] - into[:, i])
            into[:, i] += np.clip(more, 0, None)
        entered = into.sum(axis=1)
        self.theta += into / THICK_MM
        left = water - entered
        runoff = np.clip(left - _POND_MM, 0, None)
        self.pond = left - runoff
        return entered, runoff

    def take_up(self, demand: Array, thawed: Array) -> Array:
        """Transpiration by slice in mm."""
        rel = self.relative()
        wet = np.minimum(rel / 0.45, 1) * (rel > 0.01)
        rooted = self.weight * self.root
        pull = rooted * wet * thawed
        total = pull.sum(axis=1)
        full = rooted.sum(axis=1)
        stress = np.minimum(total / (0.55 * full + 1e-12), 1)
        taken = (demand * stress / (total + 1e-12))[:, None] * pull
        taken = np.minimum(taken, np.maximum(rel, 0) * self.range_mm * 0.2)
        self.theta -= taken * _PER_MM
        return np.asarray(taken)

    def evaporate(self, demand: Array) -> Array:
        """Evaporation from the two uppermost slices in mm."""
        above = self.theta[:, :2] - self.air_dry
        ready = np.minimum(np.maximum(above, 0) / self.wet_top, 1)
        wanted = demand[:, None] * _TOP_SHARES * ready * ready
        taken = np.minimum(wanted, np.maximum(above, 0) * (THICK_MM[:2] * 0.3))
        self.theta[:, :2] -= taken / THICK_MM[:2]
        return np.asarray(taken.sum(axis=1))

    def drain(self, thawed: Array, hardness: Array, hours: Array) -> Array:
        """Gravity drainage through macropores by one slice an hour; returns the loss at the bottom."""
        col = self.col
        excess = np.maximum(self.theta - col.field_capacity, 0) * THICK_MM
        if not excess.any():
            return np.zeros(len(excess))
        rate = self.drain_rate * (1 - 0.6 * hardness[:, None] * self.force.pan) * thawed * hours
        swift = np.minimum(np.maximum(excess / (THICK_MM * 0.04), 0.02), 1)
        out = excess * (1 - np.exp(-rate)) * swift
        room = np.maximum(col.saturation - self.theta, 0) * THICK_MM
        out[:, :-1] = np.minimum(out[:, :-1], room[:, 1:])
        self.theta -= out / THICK_MM
        self.theta[:, 1:] += out[:, :-1] / THICK_MM[1:]
        return np.asarray(out[:, -1])

    def redistribute(self, thawed: Array, hours: Array) -> Array:
        """Darcy flow in the matrix over some hours; returns the loss at the bottom in mm."""
        col = self.col
        log = np.log(np.minimum(self.theta / col.saturation, 1.0))
        head = -col.entry_cm * np.exp(-col.b * log)
        conduct = (hours * thawed) * col.matrix_cm_h * np.exp(self.slope_b * log)
        slope = -col.b * head / self.theta
        mid = np.sqrt(conduct[:, :-1] * conduct[:, 1:])
        flow = self.flow
        flow[:, 1:-1] = mid * ((head[:, :-1] - head[:, 1:]) * _PER_GAP + 1)
        flow[:, -1] = conduct[:, -1]
        gap = mid * _PER_GAP
        # rows: thick * change - (in - out) linear in the change of this slice and its neighbors
        diagonal = np.repeat(THICK_CM[None, :], len(self.theta), axis=0)
        diagonal[:, :-1] += gap * slope[:, :-1]
        diagonal[:, 1:] += gap * slope[:, 1:]
        self.upper[:, :-1] = -gap * slope[:, 1:]
        self.lower[:, 1:] = -gap * slope[:, :-1]
        right = flow[:, :-1] - flow[:, 1:]
        *_, change, info = dgtsv(
            self.lower.ravel()[1:], diagonal.ravel(), self.upper.ravel()[:-1], right.ravel()
        )
        if info != 0:
            raise ArithmeticError("the soil-water system of this hour has no solution")
        self.theta = self.theta + change.reshape(self.theta.shape)
        self._push_up()
        return flow[:, -1] * 10

    def _push_up(self) -> None:
        """Water above saturation goes to the slice above, in the end to the pond."""
        over = self.theta - self.col.saturation
        if not (over > 0).any():
            return
        for i in range(SLICES - 1, -1, -1):
            spill = np.clip(self.theta[:, i] - self.col.saturation[:, i], 0, None)
            self.theta[:, i] -= spill
            if i:
                self.theta[:, i - 1] += spill * THICK_CM[i] / THICK_CM[i - 1]
            else:
                self.pond += spill * THICK_MM[0]

    def grow(
        self, pace: Array, limit: Array, alive: NDArray[np.bool_], temp: Array, hardness: Array
    ) -> None:
        """Move the root front and thicken the roots behind it."""
        at = np.minimum(np.searchsorted(MIDDLE_CM + THICK_CM / 2, self.front), SLICES - 1)
        rel = self.relative()[self.rows, at]
        pan = self.force.pan[self.rows, at] * hardness
        easy = 1 / (1 + 1.0 * pan * np.clip(1.4 - rel, 0.3, 1.4))
        easy = easy * np.where(self.below[self.rows, at], 1 - 0.10 * hardness, 1.0)
        wet_enough = np.clip(rel / 0.15, 0.05, 1)
        warm = np.clip((temp[self.rows, at] - 0.5) / 6, 0, 1)
        move = pace * easy * wet_enough * warm
        self.front = np.where(alive, np.minimum(np.maximum(self.front, 4.0) + move, limit), 0.0)
        passed = np.clip((self.front[:, None] - (MIDDLE_CM - THICK_CM / 2)) / THICK_CM, 0, 1)
        thin = np.where(self.below, 1 - 0.45 * hardness[:, None], 1.0)
        goal = passed * thin
        self.root += np.where(alive[:, None], (goal - self.root) / 6, -self.root)
