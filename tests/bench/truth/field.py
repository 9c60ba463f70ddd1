"""Strips of soil under Richards' equation, with several ways in which roots may grow and take up.

``physics(kind)`` gives a function with the signature of ``demo_warehouse.simulator.water.run``, so that
the same weather, crops, sensors and faults meet another soil. What is kept from the demo's simulator
is only what drives it (``Forcing``) and the two water contents that name a soil, at 336.6 and 15,300 cm
of suction.

Uptake: Feddes, Kowalik and Zaradny (1978), Simulation of Field Water Use and Crop Yield (its curve from
memory); compensation: Jarvis (1989, doi:10.1016/0022-1694(89)90050-4).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from demo_warehouse.simulator import ground
from demo_warehouse.simulator.forcing import Forcing, Truth
from demo_warehouse.simulator.ground import BORDERS_CM, SLICES, Column
from demo_warehouse.simulator.heat import unfrozen_share
from tests.bench.truth.hydraulics import VanGenuchten
from tests.bench.truth.richards import Columns, Ends

Array = NDArray[np.float64]
CELL_CM = 2.5
MIDDLE = np.arange(CELL_CM / 2, BORDERS_CM[-1], CELL_CM)
IN_SLICE = np.searchsorted(BORDERS_CM[1:], MIDDLE)
POND_CM = 0.6
DRY_CM, DEAD_CM = -800.0, -15300.0  # uptake falls from here to there


@dataclass(frozen=True, slots=True)
class Physics:
    """One way in which a soil and its roots may behave."""

    name: str
    saturated_cm_h: float = 0.10
    roots: str = "thickening"  # a name of SHAPES, or roots that thicken behind their tip
    compensated_from: float = 0.5  # share of unstressed uptake from which demand is met; 1: never
    cracks: float = 0.0  # share of a strong rain on dry soil that falls into cracks
    water_table_cm: float | None = None  # below the surface; None drains freely


SHAPES: dict[str, Callable[[Array], Array]] = {
    "even": lambda share: (share < 1).astype(float),
    "falling": lambda share: np.clip(1 - share, 0, None),
    "deep": lambda share: np.where(share < 1, 0.3 + share**2, 0.0),
}
TRUTHS = (
    Physics("thickening roots"),
    Physics("even roots", roots="even"),
    Physics("falling roots, no compensation", roots="falling", compensated_from=1.0),
    Physics("deep roots, cracks", roots="deep", cracks=0.35),
    Physics("slow clay", saturated_cm_h=0.015, roots="falling"),
    Physics("wet subsoil", roots="thickening", water_table_cm=240.0),
)


def physics(kind: Physics) -> Callable[[Column, Forcing, Array], Truth]:
    """Return a run of this physics, in place of ``demo_warehouse.simulator.water.run``."""

    def run(column: Column, forcing: Forcing, start: Array) -> Truth:
        return _Run(kind, column, forcing, start).all_days()

    return run


def soil_of(column: Column, saturated_cm_h: float) -> VanGenuchten:
    """Return the soil through each strip's saturation, field capacity and wilting point, in cells."""
    strips = zip(
        *(c[:, 0] for c in (column.saturation, column.field_capacity, column.wilting)), strict=True
    )
    known: dict[tuple[float, ...], tuple[float, float, float]] = {}
    rows = []
    for strip in strips:
        waters = tuple(float(water) for water in strip)
        if waters not in known:
            known[waters] = _curve(*waters)
        rows.append((waters[0], *known[waters]))
    saturated, residual, a, n = (
        np.repeat(np.array(values)[:, None], len(MIDDLE), axis=1)
        for values in zip(*rows, strict=True)
    )
    return VanGenuchten(residual, saturated, a, n, np.full_like(n, saturated_cm_h))


def _curve(saturated: float, capacity: float, wilting: float) -> tuple[float, float, float]:
    """Residual water content, alpha and n of the curve through two water contents."""
    residual = 0.4 * wilting
    shares = [(water - residual) / (saturated - residual) for water in (capacity, wilting)]

    def alpha(n: float, share: float, suction: float) -> float:
        return float((share ** (-1 / (1 - 1 / n)) - 1) ** (1 / n) / suction)

    heads = (ground.HEAD_33_KPA_CM, ground.HEAD_1500_KPA_CM)
    n = brentq(
        lambda n: np.log(alpha(n, shares[0], heads[0]) / alpha(n, shares[1], heads[1])), 1.03, 3
    )
    return residual, alpha(n, shares[0], heads[0]), n


class _Run:
    """The state of all strips, and the books of a run."""

    def __init__(self, kind: Physics, column: Column, forcing: Forcing, start: Array) -> None:
        self.kind, self.force = kind, forcing
        self.soil = soil_of(column, kind.saturated_cm_h)
        self.strips = len(start)
        self.columns = Columns(self.soil, CELL_CM, self.strips, len(MIDDLE))
        self.head = self.soil.head(start[:, IN_SLICE])
        self.start = self.storage()
        self.wilting = column.wilting[:, IN_SLICE]
        self.range = (column.field_capacity - column.wilting)[:, IN_SLICE]
        self.pan = forcing.pan[:, IN_SLICE]
        self.below = np.maximum.accumulate(self.pan > 0, axis=1)
        table = kind.water_table_cm
        bottom = np.nan if table is None else BORDERS_CM[-1] - table
        self.bottom = np.full(self.strips, bottom)
        self.pond, self.front = np.zeros(self.strips), np.zeros(self.strips)
        self.density = np.zeros((self.strips, len(MIDDLE)))
        crack = np.where((MIDDLE > 5) & (MIDDLE < 80), np.exp(-MIDDLE / 30), 0.0)
        self.crack = crack / crack.sum()
        days = len(forcing.supply_mm) // 24
        names = ("evaporation", "drainage", "runoff", "infiltration", "storage", "pond", "front")
        self.books = {name: np.zeros((days, self.strips)) for name in names}
        self.uptake = np.zeros((days, self.strips, SLICES))
        self.theta = np.zeros((len(forcing.supply_mm), self.strips, SLICES), dtype=np.float32)

    def all_days(self) -> Truth:
        """Run to the end."""
        for hour in range(len(self.force.supply_mm)):
            self._hour(hour)
            if hour % 24 == 23:
                self._grow(hour)
        b = self.books
        return Truth(
            self.theta,
            self.uptake,
            *(b[name] for name in ("evaporation", "drainage", "runoff", "infiltration")),
            *(b[name] for name in ("storage", "pond", "front")),
            self.start,
        )

    def storage(self) -> Array:
        """Water in each strip, mm."""
        return np.asarray(self.soil.water(self.head).sum(axis=1) * CELL_CM * 10)

    def _by_slice(self, cells: Array) -> Array:
        """Sums of cells by slice."""
        out = np.zeros((self.strips, SLICES))
        np.add.at(out.T, IN_SLICE, cells.T)
        return out

    def _hour(self, hour: int) -> None:
        force, day = self.force, hour // 24
        temp = force.soil_temp_c[hour][force.site]
        thawed = np.clip((unfrozen_share(temp) - 0.4) / 0.6, 0.02, 1)[:, IN_SLICE] ** 3
        open_ = thawed * (1 - 0.9 * force.hardness[day][:, None] * self.pan)
        water = self.soil.water(self.head)
        offered = force.supply_mm[hour] / 10 + self.pond
        fallen = self._into_cracks(offered, water, thawed)
        taken = self._take_up(force.transpiration_mm[hour] / 10 * force.uptake_allowed, water)
        taken *= thawed > 0.5
        left = np.clip((water[:, 0] - 0.5 * self.wilting[:, 0]) * CELL_CM, 0, None)
        ready = np.clip(1 - (np.log10(np.maximum(-self.head[:, 0], 1)) - 3) / 1.5, 0, 1)
        gone = np.minimum(force.evaporation_mm[hour] / 10 * ready, 0.3 * left)
        ends = Ends(offered - fallen.sum(axis=1), gone, taken - fallen, self.bottom, open_)
        step = self.columns.advance(self.head, 1.0, ends)
        self.head = step.head
        outside = ends.supply - step.entered
        ran = np.clip(outside - POND_CM, 0, None)
        self.pond = outside - ran
        for name, amount in (
            ("evaporation", gone),
            ("drainage", step.drained),
            ("runoff", ran),
            ("infiltration", step.entered + fallen.sum(axis=1)),
        ):
            self.books[name][day] += amount * 10
        self.uptake[day] += self._by_slice(taken) * 10
        after = self.soil.water(self.head) * CELL_CM
        self.theta[hour] = self._by_slice(after) / ground.THICK_CM

    def _into_cracks(self, offered: Array, water: Array, thawed: Array) -> Array:
        """Return what a strong rain on dry soil leaves in cracks, cm by cell."""
        dry = np.clip(1 - (water - self.wilting)[:, 4] / self.range[:, 4], 0, 1) * thawed[:, 0]
        wanted = np.clip(offered - 0.08, 0, None) * self.kind.cracks * dry
        room = np.clip(self.soil.saturated - water, 0, None) * CELL_CM * 0.5
        return np.minimum(wanted[:, None] * self.crack, room)

    def _take_up(self, demand: Array, water: Array) -> Array:
        """Return uptake by cell, cm/h."""
        ease = np.clip((self.head - DEAD_CM) / (DRY_CM - DEAD_CM), 0, 1)
        weight = self.density / np.maximum(self.density.sum(axis=1), 1e-12)[:, None]
        pull = weight * ease
        total = pull.sum(axis=1)
        met = np.maximum(total, self.kind.compensated_from)
        most = np.clip(water - self.wilting, 0, None) * CELL_CM * 0.2
        return np.minimum(demand[:, None] * pull / np.maximum(met, 1e-12)[:, None], most)

    def _grow(self, hour: int) -> None:
        """Move the root front, place the roots, and write down the day."""
        force, day = self.force, hour // 24
        at = np.minimum(np.searchsorted(MIDDLE + CELL_CM / 2, self.front), len(MIDDLE) - 1)
        rows = np.arange(self.strips)
        wet = ((self.soil.water(self.head) - self.wilting) / self.range)[rows, at]
        hard = force.hardness[day]
        easy = 1 / (1 + self.pan[rows, at] * hard * np.clip(1.4 - wet, 0.3, 1.4))
        warm = np.clip((force.soil_temp_c[hour][force.site][rows, IN_SLICE[at]] - 0.5) / 6, 0, 1)
        move = force.root_cm_h[hour - 23 : hour + 1].sum(axis=0) * easy * warm
        move *= np.clip(wet / 0.15, 0.05, 1)
        alive = force.alive[hour]
        limit = force.root_limit_cm[hour]
        self.front = np.where(alive, np.minimum(np.maximum(self.front, 4.0) + move, limit), 0.0)
        thin = np.where(self.below, 1 - 0.45 * hard[:, None], 1.0)
        share = (MIDDLE - CELL_CM / 2) / np.maximum(self.front, 1e-9)[:, None]
        if self.kind.roots == "thickening":
            passed = np.clip((self.front[:, None] - MIDDLE) / CELL_CM + 0.5, 0, 1)
            goal = passed * thin * np.exp(-MIDDLE / 38)
            self.density += np.where(alive[:, None], (goal - self.density) / 6, -self.density)
        else:
            self.density = SHAPES[self.kind.roots](share) * thin * alive[:, None]
        b = self.books
        b["storage"][day], b["pond"][day] = self.storage(), self.pond * 10
        b["front"][day] = self.front
