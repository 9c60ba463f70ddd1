"""Where the pixels of an image lie, and outlines in columns and rows of them."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import shapely
from shapely.geometry import mapping, shape
from shapely.geometry.base import BaseGeometry

from flows.books.fieldbook.problem import Rejected

DENSE_DEG = 0.0005  # corners of an outline for another projection; about 50 m
DEGREE_M = 111_320.0
GRIDS = 8  # that are remembered: a satellite's images share one
Outlines = Mapping[Any, BaseGeometry]


@dataclass(frozen=True, slots=True)
class Box:
    """Some columns and rows of an image."""

    left: int
    top: int
    right: int
    bottom: int

    @classmethod
    def around(cls, west: float, north: float, east: float, south: float) -> Box:
        """Return the whole pixels that hold a rectangle."""
        return cls(math.floor(west), math.floor(north), math.ceil(east), math.ceil(south))

    @property
    def shape(self) -> tuple[int, int]:
        """Return rows and columns."""
        return self.bottom - self.top, self.right - self.left

    @property
    def window(self) -> Any:
        """Return it as rasterio has it."""
        from rasterio.windows import Window  # noqa: PLC0415 (an extra, and start-up time)

        return Window(self.left, self.top, *reversed(self.shape))

    def meets(self, other: Box) -> bool:
        """Return whether they overlap or touch."""
        return (
            self.left <= other.right
            and other.left <= self.right
            and self.top <= other.bottom
            and other.top <= self.bottom
        )

    def with_(self, other: Box) -> Box:
        """Return the smallest box that holds both."""
        return Box(
            min(self.left, other.left),
            min(self.top, other.top),
            max(self.right, other.right),
            max(self.bottom, other.bottom),
        )


@dataclass(frozen=True, slots=True)
class Grid:
    """Where the pixels of an image lie: ``transform`` leads from column and row to the ``crs``."""

    crs: Any
    transform: Any
    high: int
    wide: int

    @property
    def pixel_m(self) -> float:
        """Return the length of a pixel's side in meters, that of a square of the same area."""
        return math.sqrt(math.prod(self.pixel))

    @property
    def pixel(self) -> tuple[float, float]:
        """Return the length of a step to the next row and to the next column in meters."""
        t = self.transform
        if self.crs.is_geographic:
            north = t.f + t.e * self.high / 2
            across = math.cos(math.radians(north))
            steps = (math.hypot(t.b * across, t.e), math.hypot(t.a * across, t.d))
            return steps[0] * DEGREE_M, steps[1] * DEGREE_M
        unit = float(self.crs.linear_units_factor[1])
        return math.hypot(t.b, t.e) * unit, math.hypot(t.a, t.d) * unit


def grid_of(image: Any) -> Grid:
    """Return where the pixels of an open image lie; raise Rejected if it has no projection."""
    if image.crs is None or image.transform.is_identity:
        expected = "a GeoTIFF with a projection: export it again with its place on the map"
        raise Rejected("the image has no projection", "no projection", expected)
    return Grid(image.crs, image.transform, image.height, image.width)


def on_grid(grid: Grid, outlines: Outlines) -> Mapping[Any, BaseGeometry]:
    """Return outlines (longitude, latitude in WGS 84) in columns and rows of pixels."""
    return _on_grid(grid, tuple(outlines.items()))


@lru_cache(maxsize=GRIDS)
def _on_grid(grid: Grid, outlines: tuple[tuple[Hashable, BaseGeometry], ...]) -> dict[Any, Any]:
    return {name: _in_pixels(outline, grid) for name, outline in outlines}


def _in_pixels(outline: BaseGeometry, grid: Grid) -> BaseGeometry:
    from rasterio.errors import RasterioError  # noqa: PLC0415 (an extra, and start-up time)
    from rasterio.warp import transform_geom  # noqa: PLC0415

    dense = mapping(shapely.segmentize(outline, DENSE_DEG))
    try:
        there = transform_geom("EPSG:4326", grid.crs, dense)
    except (RasterioError, ValueError):
        return shapely.Polygon()
    inverse = ~grid.transform
    return shapely.transform(
        shape(there), lambda xy: np.column_stack(inverse @ (xy[:, 0], xy[:, 1]))
    )
