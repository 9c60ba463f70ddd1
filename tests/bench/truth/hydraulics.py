"""Water retention and conductivity of soils: van Genuchten–Mualem, and Gardner's for a check.

van Genuchten (1980, Soil Sci. Soc. Am. J. 44:892) with Mualem's conductivity and the small air-entry
head of Vogel et al. (2001, Adv. Water Resour. 24:133), without which a clay's conductivity falls by
orders of magnitude in the last centimeter before saturation. Heads in cm (negative when
unsaturated), water contents as volume shares, conductivities in cm/h. Arrays are (strips, cells).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
AIR_ENTRY_CM = -2.0


class Held(NamedTuple):
    """A soil's state at a head: water content, its change per cm of head, conductivity in cm/h."""

    water: Array
    capacity: Array
    conductivity: Array


@dataclass(frozen=True)
class VanGenuchten:
    """Parameters by strip and cell. Of the powers that a state needs, each is raised once."""

    residual: Array
    saturated: Array
    alpha_per_cm: Array
    n: Array
    saturated_cm_h: Array

    @cached_property
    def _m(self) -> Array:
        return np.asarray(1 - 1 / self.n)

    @cached_property
    def _entry(self) -> tuple[Array, Array]:
        """Saturation by the plain curve at the air-entry head, inverted; Mualem's integral there."""
        inside = (self.alpha_per_cm * -AIR_ENTRY_CM) ** self.n
        return (1 + inside) ** self._m, 1 - (inside / (1 + inside)) ** self._m

    def at(self, head: Array) -> Held:
        """All of the soil's state at a head; the capacity is nothing above the air-entry head."""
        entry, at_entry = self._entry
        a = self.alpha_per_cm * np.maximum(-head, -AIR_ENTRY_CM)
        inside = a**self.n
        share = np.minimum(entry * (1 + inside) ** -self._m, 1.0)
        width = self.saturated - self.residual
        slope = self._m * self.n * self.alpha_per_cm * (inside / a) * share / (1 + inside)
        mualem = (1 - (inside / (1 + inside)) ** self._m) / at_entry
        return Held(
            self.residual + width * share,
            np.where(head < AIR_ENTRY_CM, width * slope, 0.0),
            self.saturated_cm_h * np.sqrt(share) * mualem**2,
        )

    def water(self, head: Array) -> Array:
        """Water content at a head."""
        inside = (self.alpha_per_cm * np.maximum(-head, -AIR_ENTRY_CM)) ** self.n
        share = np.minimum(self._entry[0] * (1 + inside) ** -self._m, 1.0)
        return np.asarray(self.residual + (self.saturated - self.residual) * share)

    def head(self, water: Array) -> Array:
        """The head at a water content below saturation."""
        share = np.clip((water - self.residual) / (self.saturated - self.residual), 1e-4, 1.0)
        plain = (share / self._entry[0]) ** (-1 / self._m)
        return np.asarray(-((plain - 1) ** (1 / self.n)) / self.alpha_per_cm)


@dataclass(frozen=True, slots=True)
class Gardner:
    """Conductivity and water content that fall exponentially with suction (Gardner 1958).

    Steady flow through such a soil has a solution in closed form, which checks the solver.
    """

    residual: Array
    saturated: Array
    alpha_per_cm: Array
    saturated_cm_h: Array

    def at(self, head: Array) -> Held:
        """All of the soil's state at a head."""
        share = np.exp(self.alpha_per_cm * np.minimum(head, 0))
        inside = (self.saturated - self.residual) * share
        capacity = np.where(head < 0, inside * self.alpha_per_cm, 0.0)
        return Held(self.residual + inside, capacity, self.saturated_cm_h * share)
