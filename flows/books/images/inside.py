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

from flows.books.images.cut import LARGEST, Cut
from flows.books.images.grid import GRIDS, Box, Grid, Outlines, on_grid
from transforms.methods.alike_ground import Cells, cells

BORDER_PIXELS = 1.0  # taken off an outline all around: what a pixel sees comes from beside it too
LEAST_CLEAR = 0.5  # of a strip, for a mean of it
ALL = 0.999  # of a pixel, that counts as a whole one
NARROW = "the strip is narrower than two pixels: less a border of one pixel nothing is left"
BESIDE = "the image does not reach over the strip"

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Inside:
    """What an image says of one strip; numbers are None if there is no mean, ``reason`` says why."""

    vegetation_index: float | None
    spread: float | None
    pixels_whole: int
    pixels_weight: float
    cloud_share: float | None
    coverage: float
    reason: str | None
    cells: Cells | None = None


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


def inside(cut: Cut, outlines: Outlines) -> dict[Any, Inside]:
    """Return the means inside the outlines (longitude, latitude in WGS 84), less a border of one pixel."""
    out = {}
    for name, of in shares(cut.grid, outlines).items():
        if isinstance(of, str):
            out[name] = Inside(None, None, 0, 0.0, None, 0.0, of)
        else:
            out[name] = _mean(*cut.part(of.box), of, cut.grid.pixel)
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


def _mean(index: Array, cloud: NDArray[np.bool_], of: Shares, pixel: tuple[float, float]) -> Inside:
    """Return the mean of the pixels of a box by their shares."""
    at = of.rows, of.columns
    value, weight = index[at], of.weight
    value = np.where(np.abs(value) > LARGEST, np.nan, value)
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
        return Inside(None, None, whole, total, clouded, coverage, reason)
    alike = cells(of.rows + of.box.top, of.columns + of.box.left, value, weight, pixel)
    value, weight = value[clear], weight[clear]
    mean = float(np.average(value, weights=weight))
    spread = float(np.sqrt(np.average((value - mean) ** 2, weights=weight)))
    partly = None if coverage > ALL else "part of the strip is under cloud or outside the image"
    return Inside(mean, spread, whole, total, clouded, coverage, partly, alike)
