"""Water retention and conductivity of soils: van Genuchten–Mualem, and Gardner's for a check.

van Genuchten (1980, Soil Sci. Soc. Am. J. 44:892) with Mualem's conductivity and the small air-entry
head of Vogel et al. (2001, Adv. Water Resour. 24:133), without which a clay's conductivity falls by
orders of magnitude in the last centimeter before saturation. Heads in cm (negative when
unsaturated), water contents as volume shares, conductivities in cm/h. Arrays are (strips, cells).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
AIR_ENTRY_CM = -2.0


@dataclass(frozen=True, slots=True)
class VanGenuchten:
    """Parameters by strip and cell."""

    residual: Array
    saturated: Array
    alpha_per_cm: Array
    n: Array
    saturated_cm_h: Array

    def _saturation(self, head: Array) -> Array:
        m = 1 - 1 / self.n
        suction = np.maximum(-head, -AIR_ENTRY_CM)
        entry = (1 + (self.alpha_per_cm * -AIR_ENTRY_CM) ** self.n) ** m
        return np.minimum(entry * (1 + (self.alpha_per_cm * suction) ** self.n) ** -m, 1.0)

    def water(self, head: Array) -> Array:
        """Water content at a head."""
        return self.residual + (self.saturated - self.residual) * self._saturation(head)

    def capacity(self, head: Array) -> Array:
        """Change of water content per cm of head; nothing above the air-entry head."""
        m = 1 - 1 / self.n
        suction = np.maximum(-head, -AIR_ENTRY_CM)
        a = self.alpha_per_cm * suction
        entry = (1 + (self.alpha_per_cm * -AIR_ENTRY_CM) ** self.n) ** m
        slope = m * self.n * self.alpha_per_cm * a ** (self.n - 1) * (1 + a**self.n) ** (-m - 1)
        return np.where(head < AIR_ENTRY_CM, (self.saturated - self.residual) * entry * slope, 0.0)

    def conductivity(self, head: Array) -> Array:
        """Hydraulic conductivity at a head."""
        m = 1 - 1 / self.n
        entry = (1 + (self.alpha_per_cm * -AIR_ENTRY_CM) ** self.n) ** m
        share = self._saturation(head)
        inner = 1 - (1 - (share / entry) ** (1 / m)) ** m
        at_entry = 1 - (1 - (1 / entry) ** (1 / m)) ** m
        return self.saturated_cm_h * np.sqrt(share) * (inner / at_entry) ** 2

    def head(self, water: Array) -> Array:
        """The head at a water content below saturation."""
        m = 1 - 1 / self.n
        entry = (1 + (self.alpha_per_cm * -AIR_ENTRY_CM) ** self.n) ** m
        share = np.clip((water - self.residual) / (self.saturated - self.residual), 1e-4, 1.0)
        return -(((share / entry) ** (-1 / m) - 1) ** (1 / self.n)) / self.alpha_per_cm


@dataclass(frozen=True, slots=True)
class Gardner:
    """Conductivity and water content that fall exponentially with suction (Gardner 1958).

    Steady flow through such a soil has a solution in closed form, which checks the solver.
    """

    residual: Array
    saturated: Array
    alpha_per_cm: Array
    saturated_cm_h: Array

    def water(self, head: Array) -> Array:
        """Water content at a head."""
        share = np.exp(self.alpha_per_cm * np.minimum(head, 0))
        return self.residual + (self.saturated - self.residual) * share

    def capacity(self, head: Array) -> Array:
        """Change of water content per cm of head."""
        inside = (self.saturated - self.residual) * self.alpha_per_cm
        return np.where(head < 0, inside * np.exp(self.alpha_per_cm * np.minimum(head, 0)), 0.0)

    def conductivity(self, head: Array) -> Array:
        """Hydraulic conductivity at a head."""
        return self.saturated_cm_h * np.exp(self.alpha_per_cm * np.minimum(head, 0))
