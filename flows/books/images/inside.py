"""The pixels of an image inside the strips' outlines, each by the share of it that lies inside."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import mapping
from shapely.geometry.base import BaseGeometry

from flows.books.images.cut import Cut
from flows.books.images.grid import GRIDS, Box, Grid, Outlines, on_grid

BORDER_PIXELS = 1.0  # taken off an outline all around: what a pixel sees comes from beside it too
LEAST_CLEAR = 0.5  # of a strip, for a mean of it
ALL = 0.999  # of a pixel, that counts as a whole one
_STEPS = 20  # of the fit; it settles in fewer
ON_GRID = 200_000  # pixels; more are averaged in squares before their likeness is measured
NARROW = "the strip is narrower than two pixels: less a border of one pixel nothing is left"
BESIDE = "the image does not reach over the strip"

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Inside:
    """What an image says of one strip; numbers are None if there is no mean, ``reason`` says why."""

    vegetation_index: float | None
    spread: float | None
    independent_pixels: float | None
    pixels_whole: int
    pixels_weight: float
    cloud_share: float | None
    coverage: float
    reason: str | None


@dataclass(frozen=True, slots=True)
class Shares:
    """The pixels of a grid inside one outline less its border: where, and the share of each inside.

    ``box`` holds them all, ``rows`` and ``columns`` count within it; ``area`` of the outline in pixels.
    """

    box: Box
    rows: NDArray[np.int64]
    columns: NDArray[np.int64]
    weight: Array
    area: float


def inside(cut: Cut, outlines: Outlines, *, likeness: bool = True) -> dict[Any, Inside]:
    """Return the means inside the outlines (longitude, latitude in WGS 84), less a border of one pixel.

    Without ``likeness`` the independent pixels, which take the most time, stay unknown.
    """
    out = {}
    for name, of in shares(cut.grid, outlines).items():
        if isinstance(of, str):
            out[name] = Inside(None, None, None, 0, 0.0, None, 0.0, of)
        else:
            out[name] = _mean(*cut.part(of.box), of, likeness=likeness)
    return out


def shares(grid: Grid, outlines: Outlines) -> dict[Any, Shares | str]:
    """Return the pixels inside each outline, or why there are none.

    Shares of pixels are exact areas (exactextract). The border, like all else, is in pixels, so a
    projection in degrees needs no other arithmetic. They are worked out once a grid.
    """
    return _shares(grid, tuple(outlines.items()))


@lru_cache(maxsize=GRIDS)
def _shares(
    grid: Grid, outlines: tuple[tuple[Hashable, BaseGeometry], ...]
) -> dict[Any, Shares | str]:
    from exactextract import exact_extract  # noqa: PLC0415 (an extra, and start-up time)
    from exactextract.raster import NumPyRasterSource  # noqa: PLC0415

    high, wide = grid.high, grid.wide
    shrunken, features = {}, []
    frame = shapely.box(0, 0, wide, high)
    for number, (name, there) in enumerate(on_grid(grid, dict(outlines)).items()):
        shrunken[name] = less = shapely.make_valid(there).buffer(-BORDER_PIXELS)
        if less.intersects(frame):
            upright = shapely.transform(less, lambda xy: xy * (1, -1) + (0, high))
            features.append(
                {"type": "Feature", "properties": {"n": number}, "geometry": mapping(upright)}
            )
    blank = NumPyRasterSource(np.broadcast_to(np.uint8(0), (high, wide)), 0, 0, wide, high)
    of = {}
    if features:  # it takes no empty list
        found = exact_extract(blank, features, ["cell_id", "coverage"], include_cols=["n"])
        of = {one["properties"]["n"]: one["properties"] for one in found}
    out: dict[Any, Shares | str] = {}
    for number, (name, less) in enumerate(shrunken.items()):
        if less.is_empty:
            out[name] = NARROW
        elif number not in of or not len(of[number]["coverage"]):
            out[name] = BESIDE
        else:
            weight = np.asarray(of[number]["coverage"], np.float64)
            rows, columns = np.divmod(np.asarray(of[number]["cell_id"], np.int64), wide)
            left, top = int(columns.min()), int(rows.min())
            box = Box(left, top, int(columns.max()) + 1, int(rows.max()) + 1)
            out[name] = Shares(box, rows - top, columns - left, weight, less.area)
    return out


def _mean(index: Array, cloud: NDArray[np.bool_], of: Shares, *, likeness: bool) -> Inside:
    """Return the mean of the pixels of a box by their shares."""
    at = of.rows, of.columns
    value, weight = index[at], of.weight
    clear = np.isfinite(value)
    total = float(weight[clear].sum())
    coverage = min(total / of.area, 1.0)
    clouded = min(float(weight[cloud[at]].sum()) / of.area, 1.0)
    whole = int((weight[clear] >= ALL).sum())
    if coverage < LEAST_CLEAR:
        reason = (
            "cloud over more than half of the strip"
            if clouded >= LEAST_CLEAR
            else "less than half of the strip has clear pixels"
        )
        return Inside(None, None, None, whole, total, clouded, coverage, reason)
    value, weight = value[clear], weight[clear]
    rows, columns = (
        of.rows[clear] - of.rows[clear].min(),
        of.columns[clear] - of.columns[clear].min(),
    )
    grid = np.full((rows.max() + 1, columns.max() + 1), np.nan)
    grid[rows, columns] = value
    mean = float(np.average(value, weights=weight))
    spread = float(np.sqrt(np.average((value - mean) ** 2, weights=weight)))
    unrelated = independent(grid) if likeness else None
    partly = None if coverage > ALL else "part of the strip is under cloud or outside the image"
    return Inside(mean, spread, unrelated, whole, total, clouded, coverage, partly)


def independent(grid: Array) -> float:
    """Return how many unrelated pixels would tell the mean as well (``grid``: NaN where unknown).

    n² / sum of the correlations of all pairs (Cressie 1993, Statistics for Spatial Data, section
    1.3; Griffith 2005, doi 10.1111/j.1467-8306.2005.00484.x; both from memory), the correlation
    falling with the distance d as c·exp(−d/a), c and a fitted to that of the pixels. Since their
    own mean was taken off, the pixels look less alike than they are by the variance of that mean,
    which is put back.
    """
    grid = _coarser(grid)
    known = np.isfinite(grid)
    n = float(known.sum())
    if n < 3:
        return max(n, 1.0)
    deviation = np.where(known, grid - grid[known].mean(), 0.0)
    variance = float((deviation**2).sum() / n)
    if variance <= 1e-12:
        return n
    pairs, products = _at_lags(known.astype(float)), _at_lags(deviation)
    down, across = (np.fft.fftfreq(size, 1 / size) for size in pairs.shape)
    apart = np.hypot(down[:, None], across[None, :])
    step = np.rint(apart).astype(np.int64).ravel()
    count = np.bincount(step, pairs.ravel())
    alike = np.bincount(step, products.ravel())
    far = np.bincount(step, (apart * pairs).ravel())
    distance = far / np.maximum(count, 0.5)
    ranges = np.geomspace(0.3, 2.0 * max(grid.shape), 40)
    shapes = np.exp(-distance[None, :] / ranges[:, None])
    total = shapes[:, 1:] @ count[1:]
    use = slice(1, max(int(np.flatnonzero(count > 0.5).max()) // 2 + 1, 2))
    weight, shapes = count[use], shapes[:, use]
    correlation = alike[use] / np.maximum(weight, 0.5) / variance
    squares = (shapes**2) @ weight
    effective = n
    for _ in range(_STEPS):
        lost = 1 / effective  # variance of the mean, as a share of that of a pixel
        wanted = correlation * (1 - lost) + lost
        along = shapes @ (wanted * weight)
        top = np.clip(along / squares, 0, 1)
        best = int((top**2 * squares - 2 * top * along).argmin())
        effective = float(np.clip(n**2 / (n + top[best] * total[best]), 1.0, n))
    return effective


def _coarser(grid: Array) -> Array:
    """Return means of squares of pixels, so that not many more than ON_GRID remain."""
    by = int(np.ceil(np.sqrt(grid.size / ON_GRID)))
    if by <= 1:
        return grid
    high, wide = (-size % by for size in grid.shape)
    padded = np.pad(grid, ((0, high), (0, wide)), constant_values=np.nan)
    squares = padded.reshape(padded.shape[0] // by, by, padded.shape[1] // by, by)
    known = np.isfinite(squares)
    count = known.sum(axis=(1, 3))
    with np.errstate(invalid="ignore"):
        mean = np.where(known, squares, 0.0).sum(axis=(1, 3)) / count
    return np.where(count * 2 >= by * by, mean, np.nan)


def _at_lags(grid: Array) -> Array:
    """Return the sum of products of all pairs of pixels by their distance down and across."""
    size = tuple(2 * s for s in grid.shape)
    spectrum = np.fft.rfft2(grid, size)
    return np.asarray(np.fft.irfft2(np.abs(spectrum) ** 2, size))
