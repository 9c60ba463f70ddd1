"""Cut an image to the strips' outlines without loss, and read the cut.

A cut is a GeoTIFF over the windows of all strips in which only these windows are stored: tiles that
hold nothing take no room, so fields far apart cost no more than fields side by side.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from flows.books.fieldbook.problem import Rejected, shown
from flows.books.images.grid import GRIDS, Box, Grid, Outlines, grid_of, on_grid
from schemas.farm.images import ImageBands

MAX_WINDOW_BYTES = 400_000_000  # of the bands used, over the outlines
MAX_BLOCK_BYTES = 600_000_000  # that one pixel needs to be unpacked
MARGIN_PIXELS = 4  # around the outlines, so that one drawn again a little wider finds its pixels
LARGEST = 1.0  # of an index
MOST_BELOW_ZERO = 0.1  # of the pixels; no source
TILE = 128  # pixels of a side of a cut's tiles; those without a pixel of a strip are not stored
Array = NDArray[Any]


class NothingThere(Rejected):
    """An image that is sound and shows nothing of the strips."""


@dataclass(frozen=True, slots=True)
class Layer:
    """One band of an open image; what is known of its numbers from beside it."""

    image: Any
    band: int
    scale: float | None = None
    offset: float | None = None
    nodata: float | None = None

    def read(self, box: Box, dtype: str) -> tuple[Array, Array]:
        """Return numbers and mask (0: none) of a box."""
        data = self.image.read(self.band, window=box.window, out_dtype=dtype)
        mask = self.image.read_masks(self.band, window=box.window)
        if self.nodata is not None and self.image.nodatavals[self.band - 1] is None:
            mask = np.where(data == self.nodata, np.uint8(0), mask)
        return data, mask


@dataclass(frozen=True, slots=True)
class Cut:
    """A cut that is open: index and cloud, read a box at a time."""

    grid: Grid
    image: Any
    said: ImageBands

    def part(self, box: Box) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """Return index (NaN where unknown) and cloud of a box that lies within the image."""
        roles = list(self.image.descriptions)
        raw = dict(zip(roles, self.image.read(window=box.window), strict=True))
        valid = self.image.read_masks(1, window=box.window) > 0

        def values(role: str) -> NDArray[np.float64]:
            n, said = roles.index(role), self.said
            scale = said.scale if said.scale is not None else self.image.scales[n]
            offset = said.offset if said.offset is not None else self.image.offsets[n]
            return np.asarray(raw[role], np.float64) * scale + offset

        if "index" in raw:
            index = values("index")
        else:
            red, infrared = values("red"), values("near_infrared")
            with np.errstate(divide="ignore", invalid="ignore"):
                index = (infrared - red) / (infrared + red)
        cloud = np.zeros(valid.shape, bool)
        if "quality" in raw:
            cloud = _is_cloud(raw["quality"], self.said)
        index[~(valid & np.isfinite(index)) | cloud] = np.nan
        return index, cloud & valid


def _is_cloud(quality: Array, said: ImageBands) -> NDArray[np.bool_]:
    if said.clear_values:
        return ~np.isin(quality, said.clear_values)
    return np.isin(quality, said.cloud_values) if said.cloud_values else quality != 0


def cut_of(image: Any, said: ImageBands) -> Cut:
    """Return an open cut; ``said``: scale, offset and the meaning of the quality band."""
    return Cut(grid_of(image), image, said)


def clipped(layers: Mapping[str, Layer], outlines: Outlines, tags: dict[str, str]) -> bytes:
    """Return the windows over the outlines as a GeoTIFF of the bands; same image, same bytes.

    ``layers``: a band of each role, all of one grid. ``tags`` are written into it. What lies outside
    the outlines and a small margin is empty. Raises Rejected: no projection, no place over the
    farm, too large.
    """
    grid = grid_of(first := next(iter(layers.values())).image)
    windows = _windows(grid, tuple(outlines.items()))
    if not windows:
        raise NothingThere(
            "the image does not lie over the strips",
            " ".join(f"{edge:.7g}" for edge in first.bounds) + f" in {grid.crs.to_string()[:40]}",
            "an image of a field that has outlines in yieldmaps/",
        )
    dtype = _dtype(layers, sum(math.prod(box.shape) for box, _ in windows))
    pieces = []
    for box, outside in windows:
        read = [one.read(box, dtype) for one in layers.values()]
        data = np.stack([numbers for numbers, _ in read])
        valid = np.min([mask for _, mask in read], axis=0)
        data[:, outside], valid[outside] = 0, 0
        pieces.append((box, data, valid))
    return _written(grid, layers, pieces, tags)


@lru_cache(maxsize=GRIDS)
def _windows(
    grid: Grid, outlines: tuple[tuple[Hashable, BaseGeometry], ...]
) -> list[tuple[Box, NDArray[np.bool_]]]:
    """Return the boxes over the outlines, none touching another, and what of each lies outside."""
    from rasterio import Affine  # noqa: PLC0415 (an extra, and start-up time)
    from rasterio.features import geometry_mask  # noqa: PLC0415

    frame = shapely.box(0, 0, grid.wide, grid.high)
    shapes = on_grid(grid, dict(outlines)).values()
    near = [one.buffer(MARGIN_PIXELS) for one in shapes if one.intersects(frame)]
    boxes: list[Box] = []
    for one in near:
        box = Box.around(*one.intersection(frame).bounds)
        while touching := [other for other in boxes if other.meets(box)]:
            boxes = [other for other in boxes if other not in touching]
            for other in touching:
                box = box.with_(other)
        boxes.append(box)
    out = []
    for box in sorted(boxes, key=lambda b: (b.top, b.left)):
        moved = [shapely.affinity.translate(one, -box.left, -box.top) for one in near]
        mask = geometry_mask(moved, box.shape, Affine.identity(), all_touched=True)
        out.append((box, mask))
    return out


def _dtype(layers: Mapping[str, Layer], pixels: int) -> str:
    """Return the type that holds all bands; raise Rejected if there is too much to read."""
    dtype = np.result_type(*(one.image.dtypes[one.band - 1] for one in layers.values()))
    if dtype.kind not in "iuf":
        raise Rejected("the image has no plain numbers", shown(str(dtype)), "whole or real numbers")
    if dtype.kind in "iu" and dtype.itemsize > 4:
        dtype = np.dtype("float64")
    for one in layers.values():
        check_block(one.image)
    _check_size(pixels * dtype.itemsize * len(layers))
    return str(dtype)


def check_block(image: Any) -> None:
    """Raise Rejected if one pixel needs too much to be unpacked."""
    blocks = zip(image.block_shapes, image.dtypes, strict=True)
    most = max(math.prod(of) * np.dtype(kind).itemsize for of, kind in blocks)
    _check_size(most * image.count, MAX_BLOCK_BYTES)


def _check_size(size: int, most: int = MAX_WINDOW_BYTES) -> None:
    if size > most:
        raise Rejected(
            "the image is too large",
            f"{size / 1e6:,.0f} MB to unpack",
            f"at most {MAX_WINDOW_BYTES / 1e6:,.0f} MB over the outlines: export it with larger "
            "pixels, in tiles",
        )


def _written(
    grid: Grid,
    layers: Mapping[str, Layer],
    pieces: list[tuple[Box, Array, Array]],
    tags: dict[str, str],
) -> bytes:
    from rasterio import Affine  # noqa: PLC0415 (an extra, and start-up time)
    from rasterio.io import MemoryFile  # noqa: PLC0415
    from rasterio.windows import Window  # noqa: PLC0415

    whole = pieces[0][0]
    for box, _, _ in pieces:
        whole = whole.with_(box)
    dtype = pieces[0][1].dtype
    profile = {
        "driver": "GTiff",
        "count": len(layers),
        "height": whole.shape[0],
        "width": whole.shape[1],
        "dtype": dtype,
        "crs": grid.crs,
        "transform": grid.transform @ Affine.translation(whole.left, whole.top),
        "compress": "deflate",
        "predictor": 3 if dtype.kind == "f" else 2,
        "tiled": True,
        "blockxsize": TILE,
        "blockysize": TILE,
        "SPARSE_OK": True,
    }
    with MemoryFile() as memory:
        with memory.open(**profile) as out:
            for box, data, valid in pieces:
                there = Window(box.left - whole.left, box.top - whole.top, *reversed(box.shape))
                out.write(data, window=there)
                out.write_mask(valid, window=there)
            out.descriptions = tuple(layers)
            out.scales = tuple(
                one.image.scales[one.band - 1] if one.scale is None else one.scale
                for one in layers.values()
            )
            out.offsets = tuple(
                one.image.offsets[one.band - 1] if one.offset is None else one.offset
                for one in layers.values()
            )
            out.update_tags(**tags)
        return bytes(memory.getbuffer())


def check_scale(index: NDArray[np.float64], of_reflectance: bool) -> None:
    """Raise Rejected if an index is none: numbers outside −1 to 1.

    Of reflectance a few are, where it is all but nothing; many mean that an offset was taken off twice.
    """
    known = index[np.isfinite(index)]
    outside = np.abs(known) > LARGEST + 1e-6
    if of_reflectance and known.size and outside.mean() > MOST_BELOW_ZERO:
        raise Rejected(
            "reflectance is below zero",
            f"{outside.mean():.0%} of the pixels over the strips",
            "an offset that is not in the numbers already: set scale and offset under "
            "[image_bands.SOURCE] in farm.toml",
        )
    if not of_reflectance and outside.any():
        raise Rejected(
            "the index is outside −1 to 1",
            f"{known.min():.6g} to {known.max():.6g}",
            "an index from −1 to 1: set scale and offset under [image_bands.SOURCE] in farm.toml",
        )
