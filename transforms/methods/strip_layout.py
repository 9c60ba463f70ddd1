"""Lay out the strips of a trial in a field: whole header widths, blocks side by side, sides by lot.

Everything here is on a plane, in meters east and north of any middle. A block is a set of strips side
by side: a treated and a check strip, or one worked once, one never and one worked twice, the check in
the middle. Strips, borders and headlands never overlap; all strips of a block are equally long.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import atan2, ceil, degrees, floor, hypot
from random import Random

import numpy as np
import shapely
from shapely.affinity import rotate
from shapely.geometry.base import BaseGeometry

SAME_WIDTH = (
    0.01  # of the strip, that header and implement passes may differ; common practice, no source
)
MOST_PASSES = 60  # of the header in one strip, looked at for a common width
# Strips that a combine crosses. Narrower ones were not tried on published maps (tests/bench/FIGURES.md).
LEAST_ACROSS_M = 50.0
LEAST_LENGTH_M = (
    60.0  # of a strip harvested along: grain enough to weigh; common practice, no source
)
PLACES = 121  # tried for the blocks, from one side of the field to the other
_NEAR_M = 1e-3  # kept from every edge, so that rounding never puts a strip over it
_NOTHING_M2 = 1e-6
SHORTER = 0.02  # that strips may be shorter to lie on like ground
PAIR, THREE = (1, 0), (1, 0, 2)  # how often each strip of a block is worked
# What strips are called, by how often they are worked; of two strips the worked one is the treated one.
NAMES = {0: "check", 1: "worked once", 2: "worked twice"}


Span = tuple[float, float, float]  # of a block: left, low and high, across and along [m]
Unlike = Callable[[list[Span]], float]


class NoRoom(ValueError):
    """The strips do not fit; ``blocks`` of them would, each ``block_m`` wide."""

    def __init__(self, blocks: int, block_m: float, room_m: float) -> None:
        super().__init__(f"room for {blocks} blocks")
        self.blocks, self.block_m, self.room_m = blocks, block_m, room_m


@dataclass(frozen=True, slots=True)
class Design:
    """What is asked for, in meters; ``direction_deg``: of the strips, clockwise from north.

    ``worked``: how often each strip of a block is worked, side by side (``PAIR`` or ``THREE``).
    ``border_m`` is left between two strips and at the outside of the first and the last one,
    ``headland_m`` all around inside the outline. ``least_passes``: of the header, in a strip harvested
    along. ``across``: the combine crosses the strips.
    """

    header_m: float
    implement_m: float | None
    direction_deg: float
    border_m: float
    headland_m: float
    blocks: int
    least_passes: int = 1
    worked: tuple[int, ...] = PAIR
    across: bool = False


@dataclass(frozen=True, slots=True)
class Width:
    """A strip's width [m] and how many passes of the header and the implement fill it; None: not whole."""

    width_m: float
    header_passes: int | None
    implement_passes: int | None


@dataclass(frozen=True, slots=True)
class Strip:
    """One strip: its block from 1, how often it is worked (0: check), its outline and name.

    ``across_m`` and ``along_m``: its near left corner to the right of and ahead of the middle of the
    plane, seen in the direction of the strips.
    """

    block: int
    worked: int
    shape: shapely.Polygon
    across_m: float
    along_m: float
    width_m: float
    length_m: float
    name: str = "check"

    @property
    def middle(self) -> tuple[float, float]:
        """The middle, across and along [m]."""
        return self.across_m + self.width_m / 2, self.along_m + self.length_m / 2


@dataclass(frozen=True, slots=True)
class Layout:
    """The strips from left to right, their width, and the ground that they may lie on."""

    design: Design
    width: Width
    strips: tuple[Strip, ...]
    usable: BaseGeometry


def longest_side(outline: BaseGeometry) -> float:
    """Return the direction of the longest side [degree clockwise from north, 0 to below 180].

    Sides that bend by less than a meter are one side.
    """
    parts = shapely.get_parts(outline.simplify(1.0))
    rings = [np.asarray(part.exterior.coords) for part in parts]
    sides = np.concatenate([np.diff(ring, axis=0) for ring in rings])
    east, north = sides[int(np.argmax(np.hypot(*sides.T)))]
    return degrees(atan2(east, north)) % 180


def common_width(design: Design) -> Width:
    """Return the narrowest strip of whole header widths and whole implement widths.

    It has at least ``least_passes`` of the header. Whole passes count as equal within ``SAME_WIDTH``
    of the strip. If the combine crosses the strips, whole implement widths of ``LEAST_ACROSS_M`` or
    more (without an implement whole header widths). Raises NoRoom if no strip of up to ``MOST_PASSES``
    headers is whole in both.
    """
    header, implement = design.header_m, design.implement_m
    if design.across:
        of = implement or header
        passes = max(1, ceil(LEAST_ACROSS_M / of - SAME_WIDTH))
        return Width(passes * of, None if implement else passes, passes if implement else None)
    if implement is None:
        return Width(design.least_passes * header, design.least_passes, None)
    for passes in range(design.least_passes, MOST_PASSES + 1):
        width = passes * header
        rounds = max(1, round(width / implement))
        if abs(rounds * implement - width) <= SAME_WIDTH * width:
            return Width(width, passes, rounds)
    raise NoRoom(0, float("inf"), 0.0)


def lay_out(
    outline: BaseGeometry,
    avoid: BaseGeometry,
    design: Design,
    seed: int,
    unlike: Unlike | None = None,
) -> Layout:
    """Return the strips of a field, each side drawn by lot from ``seed``.

    ``outline`` and ``avoid`` (odd ground, may be empty): valid polygons [m]. Blocks lie side by side
    where they are longest together; of places as good as each other (within 1%) the one nearest to
    the middle; with ``unlike`` of those as long within ``SHORTER``, and a strip away from the sides of the
    usable ground, the one where it is least. Raises NoRoom if they do not fit.
    """
    usable = outline.buffer(-design.headland_m, join_style="mitre").difference(avoid)
    turned = rotate(usable, design.direction_deg, origin=(0, 0))
    width = common_width(design)
    spans = _best(turned, design, width, unlike)
    strips = [
        strip
        for block, (left, low, high) in enumerate(spans, 1)
        for strip in _block(block, left, low, high, design, width)
    ]
    return Layout(design, width, _drawn_by_lot(strips, design, seed), usable)


def spans_of(layout: Layout) -> list[Span]:
    """Return left, low and high of each block of a layout."""
    many = len(layout.design.worked)
    first = layout.strips[::many]
    return [(one.across_m, one.along_m, one.along_m + one.length_m) for one in first]


def _block_m(design: Design, width: Width) -> float:
    """Width of a block with one border [m]."""
    return len(design.worked) * (width.width_m + design.border_m)


def _best(turned: BaseGeometry, design: Design, width: Width, unlike: Unlike | None) -> list[Span]:
    """Return left, low and high of each block where all of them are longest."""
    step = _block_m(design, width)
    if turned.is_empty:
        raise NoRoom(0, step + design.border_m, 0.0)
    west, _, east, _ = turned.bounds
    for blocks in range(design.blocks, 0, -1):
        room = east - west - blocks * step - design.border_m
        places = _places(turned, west, room, blocks, design, width) if room >= 0 else []
        edge = min(step / len(design.worked), room / 2)
        start = west + design.border_m
        found = _chosen(places, unlike, (start + edge, start + room - edge))
        if found is not None and blocks == design.blocks:
            return found
        if found is not None:
            raise NoRoom(blocks, step + design.border_m, east - west)
    raise NoRoom(0, step + design.border_m, east - west)


def _places(  # noqa: PLR0917
    turned: BaseGeometry, west: float, room: float, blocks: int, design: Design, width: Width
) -> list[list[Span]]:
    """Return where blocks can lie, from the middle outward."""
    step = _block_m(design, width)
    least = 2 * design.header_m if design.across else max(LEAST_LENGTH_M, 2 * design.header_m)
    places = []
    for shift in sorted(np.linspace(0, room, PLACES), key=lambda at: abs(at - room / 2)):
        lefts = [west + shift + design.border_m + block * step for block in range(blocks)]
        spans = [
            (left, *_longest_free(turned, left, left + step - design.border_m)) for left in lefts
        ]
        if all(high - low >= least for _, low, high in spans):
            places.append(spans)
    return places


def _chosen(
    places: list[list[Span]], unlike: Unlike | None, inner: tuple[float, float]
) -> list[Span] | None:
    """Return the longest place, the first of those as good as each other; by ``unlike`` the most alike one.

    Sides at the edge of a field differ more (published uniformity trials, tests/bench/FIGURES.md), so a map
    moves the blocks only where the first begins within ``inner``.
    """
    best: list[Span] | None = None
    for spans in places:
        if best is None or _length(spans) > 1.01 * _length(best):
            best = spans
    if best is None or unlike is None:
        return best
    long = (1 - SHORTER) * max(_length(spans) for spans in places)
    free = [
        spans
        for spans in places
        if _length(spans) >= long and inner[0] - _NEAR_M <= spans[0][0] <= inner[1] + _NEAR_M
    ]
    return min([best, *free], key=unlike)


def _length(spans: list[Span]) -> float:
    return sum(high - low for _, low, high in spans)


def _longest_free(turned: BaseGeometry, left: float, right: float) -> tuple[float, float]:
    """Return the longest stretch over which everything between left and right is usable [m].

    What is not usable is projected on the direction of the strips; the longest gap is left.
    """
    _, low, _, high = turned.bounds
    taken = shapely.box(left, low, right, high).difference(turned)
    edges = [(low, low), (high, high)] + [
        (part.bounds[1], part.bounds[3])
        for part in shapely.get_parts(taken)
        if part.area > _NOTHING_M2
    ]
    best, reached = (low, low), low
    for start, end in sorted(edges):
        if start - reached > best[1] - best[0]:
            best = (reached, start)
        reached = max(reached, end)
    return best[0] + _NEAR_M, max(best[0] + _NEAR_M, best[1] - _NEAR_M)


def _block(  # noqa: PLR0917
    block: int, left: float, low: float, high: float, design: Design, width: Width
) -> list[Strip]:
    """Return a block's strips from left to right, worked as the design has it before the lot."""
    length = high - low
    if design.across:  # whole header widths along the strips, the rest at both ends
        whole = floor(length / design.header_m) * design.header_m
        low, length = low + (length - whole) / 2, whole
    strips = []
    for place, worked in enumerate(design.worked):
        at = left + place * (width.width_m + design.border_m)
        box = shapely.box(at, low, at + width.width_m, low + length)
        shape = rotate(box, -design.direction_deg, origin=(0, 0))
        strips.append(Strip(block, worked, shape, at, low, width.width_m, length))
    return strips


def _drawn_by_lot(strips: list[Strip], design: Design, seed: int) -> tuple[Strip, ...]:
    """Turn each block around by a coin; a check in the middle stays there.

    Python keeps the sequence of ``Random.random`` for a seed from version to version.
    """
    coin = Random(seed)  # noqa: S311 - a lot that can be drawn again, no secret
    many = len(design.worked)
    sides = design.worked
    drawn: list[Strip] = []
    for first in range(0, len(strips), many):
        order = sides[::-1] if coin.random() < 0.5 else sides
        drawn += [
            replace(strip, worked=worked, name=named(worked, design))
            for strip, worked in zip(strips[first : first + many], order, strict=True)
        ]
    return tuple(drawn)


def named(worked: int, design: Design) -> str:
    """Return what a strip that is worked so often is called, in the field book and on maps."""
    return "treated" if worked and len(design.worked) == 2 else NAMES[worked]


@dataclass(frozen=True, slots=True)
class Spot:
    """A place for instruments in a strip, across and along as a strip's corner [m]."""

    strip: Strip
    across_m: float
    along_m: float


def spots(layout: Layout) -> tuple[Spot, ...]:
    """Return a place for station and probe in each strip of the middle block.

    In the middle of the strip's width, as far along in each strip of the block: half way, so that it
    is away from edges, borders and headlands, and equally far from the ends.
    """
    chosen = (layout.design.blocks + 1) // 2
    return tuple(Spot(one, *one.middle) for one in layout.strips if one.block == chosen)


def nearest_corner(outline: BaseGeometry, layout: Layout) -> tuple[float, float]:
    """Return the outline's corner nearest to the first strip's near left one, across and along [m]."""
    turned = rotate(outline, layout.design.direction_deg, origin=(0, 0)).simplify(1.0)
    first = layout.strips[0]
    corners = shapely.get_coordinates(turned)
    far = [hypot(x - first.across_m, y - first.along_m) for x, y in corners]
    east, north = corners[int(np.argmin(far))]
    return float(east), float(north)


def on_plane(across_m: float, along_m: float, direction_deg: float) -> tuple[float, float]:
    """Return a place across and along the strips as meters east and north."""
    point = rotate(shapely.Point(across_m, along_m), -direction_deg, origin=(0, 0))
    return float(point.x), float(point.y)
