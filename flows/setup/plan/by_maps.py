"""The layout of a plan on like ground: what the maps of its field gave."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

import shapely
from shapely.geometry.base import BaseGeometry

from flows.setup.plan.ground import Ground
from flows.setup.plan.maps import Used
from transforms.methods import like_ground, strip_layout
from transforms.methods.strip_layout import Layout, NoRoom, Spot, Unlike, spans_of

LEAST_LEFT = 0.9  # of the strips' length, for odd ground to be left out; common practice, no source
# The same by maps whose relation to the yield is unknown: as much as their like ground may cost.
LEAST_LEFT_UNKNOWN = 1 - strip_layout.SHORTER


@dataclass(frozen=True, slots=True)
class ByMaps:
    """What maps of the field gave: layout and places on like ground, and how unlike they are.

    ``unlike``, ``plain`` (had the maps not been used) and ``apart`` (of the places for instruments) are in
    standard deviations of the field. ``odd``: odd ground, ``left_out`` if no strip lies on it. ``counts``:
    how much each map counted, by its number.
    """

    layout: Layout
    spots: tuple[Spot, ...]
    used: Used
    unlike: float
    plain: float
    apart: float
    odd: BaseGeometry
    left_out: bool
    counts: dict[int, float]

    def numbers(self) -> dict[str, object]:
        """Return what the maps showed, as JSON has it."""
        return {
            "used": self.used.names,
            "counts": {self.used.names[one]: round(much, 2) for one, much in self.counts.items()},
            "not_used": self.used.left_out,
            "sides_differ_sd": _finite(self.unlike),
            "without_maps_sd": _finite(self.plain),
            "odd_ground_ha": round(self.odd.area / 10_000, 3),
            "odd_ground_left_out": self.left_out,
        }


def laid_by(ground: Ground, plain: Layout, seed: int, used: Used) -> ByMaps:
    """Return the layout on like ground, its odd patches left out if the strips keep their length."""
    design = plain.design
    unlike = like_ground.unlike(used.maps, design, plain.width)
    odd = like_ground.odd_ground(used.maps)
    least = LEAST_LEFT_UNKNOWN if used.maps.harvest is None else LEAST_LEFT
    layout, left_out = _laid(ground, odd, plain, seed, unlike, least), not odd.is_empty
    if layout is None:
        nothing = shapely.GeometryCollection()
        layout, left_out = _laid(ground, nothing, plain, seed, unlike, least), False
    layout = layout or plain
    places, apart = like_ground.like_spots(layout, used.maps)
    return ByMaps(
        layout,
        places,
        used,
        unlike(spans_of(layout)),
        unlike(spans_of(plain)),
        apart,
        odd,
        left_out,
        like_ground.counts(used.maps, design, plain.width),
    )


def _laid(  # noqa: PLR0917
    ground: Ground, odd: BaseGeometry, plain: Layout, seed: int, unlike: Unlike, least: float
) -> Layout | None:
    """Return the layout without the odd ground; None if its strips are then much shorter."""
    avoid = shapely.unary_union([ground.avoid, odd])
    try:
        layout = strip_layout.lay_out(ground.outline, avoid, plain.design, seed, unlike)
    except NoRoom:
        return None
    lengths = [sum(one.length_m for one in each.strips) for each in (layout, plain)]
    return layout if lengths[0] >= least * lengths[1] else None


def _finite(value: float) -> float | None:
    return round(value, 3) if isfinite(value) else None
