"""Lay a trial's strips on like ground, by maps of the field made before it: soil, elevation, earlier yields.

A map's values are brought to standard deviations of the field about its median (robust: 1.4826 times the median
absolute deviation); a map of few whole numbers is one of classes, each of which counts as a map of 0 and 1. How
unlike the sides of the blocks are is the root mean square, over blocks, pairs of strips and maps, of the
difference of their means. Of places as long as each other within ``SHORTER`` the most alike one is taken, so
what a map that has nothing to do with the yield can cost is that much length.
"""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import combinations
from math import cos, radians, sin

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import label
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from transforms.methods.strip_layout import Design, Layout, Span, Spot, Width, spots

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

SPACING_M = 5.0  # of the grid that maps are read on; half of a narrow strip
MOST_CLASSES = 6
ODD = 3.5  # standard deviations from the field's median; common practice, no source
LEAST_ODD_M2 = 400.0  # of a patch of odd ground
AROUND_M = 12.0  # of a place for instruments, that has to be like its strip
_MAD = 1.4826


@dataclass(frozen=True, slots=True)
class Maps:
    """Maps on one grid: ``xy`` (n x 2, meters), ``values`` (n x maps, standard deviations, NaN for none).

    ``odd``: which places are odd ground by any map.
    """

    xy: Floats
    values: Floats
    odd: Bools

    def turned(self, direction_deg: float) -> Floats:
        """Return the places across and along strips of a direction [m]."""
        a = radians(direction_deg)
        return np.asarray(self.xy @ np.array([[cos(a), sin(a)], [-sin(a), cos(a)]]))


def maps_of(xy: Floats, values: list[Floats]) -> Maps:
    """Return maps in standard deviations of the field; one that is the same everywhere says nothing."""
    columns, odd = [], np.zeros(len(xy), dtype=bool)
    for one in values:
        known = one[np.isfinite(one)]
        classes = np.unique(known)
        if len(classes) < 2:
            continue
        if len(classes) <= MOST_CLASSES and (classes == np.round(classes)).all():
            own = [np.where(np.isfinite(one), one == value, np.nan) for value in classes]
            columns += [column / np.nanstd(column) for column in own]
            continue
        spread = _MAD * np.median(np.abs(known - np.median(known))) or known.std()
        column = (one - np.median(known)) / spread
        columns.append(column)
        odd |= np.abs(np.nan_to_num(column)) > ODD
    return Maps(xy, np.column_stack(columns) if columns else np.empty((len(xy), 0)), odd)


def odd_ground(maps: Maps) -> BaseGeometry:
    """Return the patches of at least ``LEAST_ODD_M2`` that are odd by a map, as squares of the grid."""
    if not maps.odd.any():
        return shapely.GeometryCollection()
    cells = np.round((maps.xy - maps.xy.min(axis=0)) / SPACING_M).astype(int)
    grid = np.zeros(cells.max(axis=0) + 1, dtype=bool)
    grid[tuple(cells[maps.odd].T)] = True
    patch, many = label(grid)
    size = np.bincount(patch.ravel(), minlength=many + 1) * SPACING_M**2
    size[0] = 0
    chosen = maps.odd & (size[patch[tuple(cells.T)]] >= LEAST_ODD_M2)
    half = SPACING_M / 2
    west, south = (maps.xy[chosen] - half).T
    return shapely.unary_union(shapely.box(west, south, west + SPACING_M, south + SPACING_M))


def unlike(maps: Maps, design: Design, width: Width) -> Callable[[list[Span]], float]:
    """Return the function that says how unlike the sides of blocks are [standard deviations of the field]."""
    places = maps.turned(design.direction_deg)

    def measure(spans: list[Span]) -> float:
        found = []
        for left, low, high in spans:
            means = []
            for place in range(len(design.worked)):
                at = left + place * (width.width_m + design.border_m)
                inside = _within(places, (at, at + width.width_m), (low, high))
                means.append(_mean(maps.values[inside]))
            found += [one - other for one, other in combinations(means, 2)]
        known = np.array(found)
        known = known[np.isfinite(known)]
        return float(np.sqrt((known**2).mean())) if known.size else float("inf")

    return measure


def _within(places: Floats, across: tuple[float, float], along: tuple[float, float]) -> Bools:
    """Whether places lie in a strip, half a step of the grid beyond its sides included."""
    half = SPACING_M / 2
    x, y = places.T
    return np.asarray(
        (x > across[0] - half) & (x < across[1] + half) & (y > along[0]) & (y < along[1])
    )


def _mean(values: Floats) -> Floats:
    known = np.isfinite(values)
    many = known.sum(axis=0)
    total = np.where(known, values, 0.0).sum(axis=0)
    return np.where(many > 0, total / np.maximum(many, 1), np.nan)


def like_spots(layout: Layout, maps: Maps) -> tuple[tuple[Spot, ...], float]:
    """Return places for station and probe on like ground that is typical of the strips, and how unlike they are.

    In one block, as far along in each of its strips, in the middle half of the length. Judged by the largest
    difference between the places, or between a place and its strip [standard deviations]; without a map
    there the middle (``strip_layout.spots``).
    """
    places = maps.turned(layout.design.direction_deg)
    best, least = spots(layout), float("inf")
    tree = cKDTree(places)
    for block in range(1, layout.design.blocks + 1):
        strips = [one for one in layout.strips if one.block == block]
        middle, length = strips[0].middle[1], strips[0].length_m
        ends = [
            ((s.across_m, s.across_m + s.width_m), (s.along_m, s.along_m + length)) for s in strips
        ]
        typical = np.array([_mean(maps.values[_within(places, *end)]) for end in ends])
        reach = np.arange(0, length / 4, 2 * SPACING_M)
        for along in sorted(
            {*(middle + reach), *(middle - reach)}, key=lambda at: abs(at - middle)
        ):
            near = tree.query_ball_point([(s.middle[0], along) for s in strips], AROUND_M)
            here = np.array([_mean(maps.values[own]) for own in near])
            apart = np.abs(np.concatenate([here - typical, here - here[:1]]))
            if not np.isfinite(apart).all() or not apart.size:
                continue
            if apart.max() < least - 1e-9:
                least = float(apart.max())
                best = tuple(Spot(one, one.middle[0], float(along)) for one in strips)
    return best, least
