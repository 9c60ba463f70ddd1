"""Lay a trial's strips on like ground, by maps of the field made before it: soil, elevation, earlier yields.

A map's values are brought to standard deviations of the field about its median (robust: 1.4826 times the median
absolute deviation); a map of few whole numbers is one of classes, each of which counts as a map of 0 and 1. How
unlike the sides of the blocks are is the root mean square, over blocks, pairs of strips and maps, of the
difference of their means; places of the grid count by their share in a strip, else those blocks whose
sides the grid shows nearer together would look like the like ones.

Of places as long as each other within ``SHORTER``, and not at the field's edge, the most alike one is taken. Ground
whose differences follow one law all over the field loses nothing by that, whatever the map says (tests/bench/
FIGURES.md has it, and published uniformity trials). A map of soil or elevation has an unknown relation to the
yield: beside earlier harvests it counts by the share of their differences that it explains.
"""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import combinations
from math import cos, radians, sin, sqrt

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import label
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from transforms.methods.strip_layout import Design, Layout, Span, Spot, Width, spots

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Whole = NDArray[np.int64]

SPACING_M = 5.0  # of the grid that maps are read on; half of a narrow strip
MOST_CLASSES = 6
ODD = 3.5  # standard deviations from the field's median; common practice, no source
LEAST_ODD_M2 = 400.0  # of a patch of odd ground
PIECE_M = 100.0  # along, of neighboring strips whose differences in maps are compared
AROUND_M = 12.0  # of a place for instruments, that has to be like its strip
_MAD = 1.4826


@dataclass(frozen=True, slots=True)
class Maps:
    """Maps on one grid: ``xy`` (n x 2, meters), ``values`` (n x columns, standard deviations, NaN for none).

    ``odd``: which places are odd ground by any map. ``of``: the map of each column, from 0. ``harvest``:
    the map that has earlier yields, if one does.
    """

    xy: Floats
    values: Floats
    odd: Bools
    of: Whole
    harvest: int | None = None

    def turned(self, direction_deg: float) -> Floats:
        """Return the places across and along strips of a direction [m]."""
        a = radians(direction_deg)
        return np.asarray(self.xy @ np.array([[cos(a), sin(a)], [-sin(a), cos(a)]]))


def maps_of(xy: Floats, values: list[Floats], harvest: int | None = None) -> Maps:
    """Return maps in standard deviations of the field; one that is the same everywhere says nothing."""
    columns, of, odd = list[Floats](), list[int](), np.zeros(len(xy), dtype=bool)
    for number, one in enumerate(values):
        known = one[np.isfinite(one)]
        classes = np.unique(known)
        if len(classes) < 2:
            continue
        if len(classes) <= MOST_CLASSES and (classes == np.round(classes)).all():
            own = [np.where(np.isfinite(one), one == value, np.nan) for value in classes]
            columns += [column / np.nanstd(column) for column in own]
            of += [number] * len(own)
            continue
        spread = _MAD * np.median(np.abs(known - np.median(known))) or known.std()
        column = (one - np.median(known)) / spread
        columns.append(column)
        of.append(number)
        odd |= np.abs(np.nan_to_num(column)) > ODD
    stacked = np.column_stack(columns) if columns else np.empty((len(xy), 0))
    return Maps(xy, stacked, odd, np.array(of, dtype=np.int64), harvest)


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


def counts(maps: Maps, design: Design, width: Width) -> dict[int, float]:
    """Return how much each map counts, by its number; without earlier yields each counts 1.

    With them these count 1 and another map the share of the differences between neighboring strips in
    earlier yields that it explains (least squares, R² adjusted for its columns, at least 0).
    """
    known = [int(number) for number in np.unique(maps.of)]
    if maps.harvest not in known:
        return dict.fromkeys(known, 1.0)
    steps = _steps(maps, design, width)
    harvest = steps[:, maps.of == maps.harvest]
    return {
        number: 1.0 if number == maps.harvest else _explained(steps[:, maps.of == number], harvest)
        for number in known
    }


def _steps(maps: Maps, design: Design, width: Width) -> Floats:
    """Return each column's differences between pieces of strips side by side, over the whole field."""
    places = maps.turned(design.direction_deg)
    sizes = np.array([width.width_m + design.border_m, PIECE_M])
    lane, piece = ((places - places.min(axis=0)) // sizes).astype(int).T
    shape = (int(lane.max()) + 1, int(piece.max()) + 1)
    flat = lane * shape[1] + piece
    columns = []
    for column in maps.values.T:
        known = np.isfinite(column)
        many = np.bincount(flat[known], minlength=shape[0] * shape[1])
        total = np.bincount(flat[known], column[known], minlength=shape[0] * shape[1])
        mean = np.where(many > 0, total / np.maximum(many, 1), np.nan)
        columns.append(np.diff(mean.reshape(shape), axis=0).ravel())
    return np.column_stack(columns)


def _explained(by: Floats, of: Floats) -> float:
    """Return the share of the squares of ``of`` that ``by`` explains, adjusted for chance."""
    known = np.isfinite(by).all(axis=1) & np.isfinite(of).all(axis=1)
    by, of = by[known], of[known, 0]
    many = int(of.size)
    free = many - int(np.linalg.matrix_rank(by)) if many else 0
    if free < 1 or not of.any():
        return 0.0
    left = of - by @ np.linalg.lstsq(by, of, rcond=None)[0]
    return max(0.0, 1 - float(left @ left / (of @ of)) * many / free)


def unlike(maps: Maps, design: Design, width: Width) -> Callable[[list[Span]], float]:
    """Return the function that says how unlike the sides of blocks are [standard deviations of the field]."""
    places = maps.turned(design.direction_deg)
    each = counts(maps, design, width)
    weight = np.array([each[int(one)] / (maps.of == one).sum() for one in maps.of])

    def measure(spans: list[Span]) -> float:
        found = []
        for left, low, high in spans:
            means = []
            for place in range(len(design.worked)):
                at = left + place * (width.width_m + design.border_m)
                means.append(
                    _strip_mean(maps.values, places, (at, at + width.width_m), (low, high))
                )
            found += [one - other for one, other in combinations(means, 2)]
        squares = np.square(found)
        known = np.isfinite(squares) * weight
        total = float(known.sum())
        if not total:
            return float("inf")
        # rounded, so that of places that are as alike the one nearest to the middle comes first
        mean = float((np.nan_to_num(squares) * known).sum()) / total
        return round(sqrt(mean), 9)

    return measure


def _strip_mean(
    values: Floats, places: Floats, across: tuple[float, float], along: tuple[float, float]
) -> Floats:
    """Return each column's mean in a strip, the map taken as straight between the places of the grid.

    So a slope's mean is that of the strip's middle, wherever the strip lies on the grid.
    """
    lows, highs = np.array([across, along]).T
    x, y = np.abs(places - (lows + highs) / 2).T
    reach = (highs - lows) / 2 + SPACING_M
    near = (x < reach[0]) & (y < reach[1])
    own = places[near]
    share = _before((highs - own) / SPACING_M) - _before((lows - own) / SPACING_M)
    return _mean(values[near], share.prod(axis=1))


def _before(steps: Floats) -> Floats:
    """Return the area of a triangle of base -1 to 1 and area 1 that lies before ``steps``."""
    at = np.clip(steps, -1.0, 1.0)
    return np.where(at < 0, (1 + at) ** 2 / 2, 1 - (1 - at) ** 2 / 2)


def _mean(values: Floats, share: Floats) -> Floats:
    """Return the mean of each column, each place by its share; NaN without one."""
    known = np.isfinite(values) * share[:, None]
    many = known.sum(axis=0)
    total = (np.nan_to_num(values) * known).sum(axis=0)
    return np.where(many > 0, total / np.where(many > 0, many, 1), np.nan)


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
        typical = np.array([_strip_mean(maps.values, places, *end) for end in ends])
        reach = np.arange(0, length / 4, 2 * SPACING_M)
        for along in sorted(
            {*(middle + reach), *(middle - reach)}, key=lambda at: abs(at - middle)
        ):
            near = tree.query_ball_point([(s.middle[0], along) for s in strips], AROUND_M)
            around = [maps.values[np.array(own, dtype=np.int64)] for own in near]
            here = np.array([_mean(own, np.ones(own.shape[0])) for own in around])
            apart = np.abs(np.concatenate([here - typical, here - here[:1]]))
            if not np.isfinite(apart).all() or not apart.size:
                continue
            if apart.max() < least - 1e-9:
                least = float(apart.max())
                best = tuple(Spot(one, one.middle[0], float(along)) for one in strips)
    return best, least
