"""Small invented images with known truth, and the outlines of two strips of 60 by 400 m."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import shapely
from pyproj import Transformer

from tests.flows.yield_maps import collection, feature

rasterio = __import__("pytest").importorskip("rasterio")

UTM = "EPSG:32614"  # meters
EAST, NORTH = 557_000.0, 5_528_000.0  # southwestern corner of the treated strip
WIDE, LONG = 60.0, 400.0


def strip(number: int, wide: float = WIDE) -> shapely.Polygon:
    """A strip in meters: treated is number 0, check lies east of it."""
    return shapely.box(EAST + number * wide, NORTH, EAST + (number + 1) * wide, NORTH + LONG)


def on_globe(polygon: shapely.Polygon, crs: str = UTM) -> shapely.Polygon:
    to = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    return shapely.transform(polygon, lambda xy: np.column_stack(to.transform(*xy.T)))


def outlines(wide: float = WIDE, field: str = "North") -> bytes:
    return collection(
        *(
            feature(on_globe(strip(i, wide)), field=field, strip=side)
            for i, side in enumerate(("treated", "check"))
        )
    )


def write(path: Path, bands: Any, *, crs: Any = UTM, transform: Any = None, **more: Any) -> Path:
    """Write bands (count, rows, columns) as a GeoTIFF; by default 10 m pixels over both strips."""
    data = np.asarray(bands)[None] if np.asarray(bands).ndim == 2 else np.asarray(bands)
    described = more.pop("described", ())
    scales = more.pop("scales", None)
    transform = transform or rasterio.Affine(10, 0, EAST - 100, 0, -10, NORTH + LONG + 100)
    path.parent.mkdir(parents=True, exist_ok=True)
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        count=data.shape[0],
        height=data.shape[1],
        width=data.shape[2],
        dtype=data.dtype,
        crs=crs,
        transform=transform,
        **more,
    ) as out:
        out.write(data)
        for n, text in enumerate(described, 1):
            out.set_band_description(n, text)
        if scales:
            out.scales = scales
    return path


def two_strips(treated: float = 0.6, check: float = 0.5, noise: float = 0.0) -> Any:
    """An index of 60 rows and 32 columns: the western strip's columns 10 to 15, the eastern's 16 to 21."""
    index = np.full((60, 32), 0.2, np.float32)
    index[:, 10:16], index[:, 16:22] = treated, check
    return index + np.random.default_rng(1).normal(0, noise, index.shape).astype(np.float32)
