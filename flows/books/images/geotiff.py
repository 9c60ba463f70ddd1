"""Read one image by a stranger: its bands, its day, and the window over the strips' outlines.

An image that cannot be used raises ``Rejected`` with what was found and what was expected.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import mapping, shape
from shapely.geometry.base import BaseGeometry

from flows.base.files import readable
from flows.books.fieldbook.problem import Rejected, shown
from schemas.farm.images import ImageBands

MAX_WINDOW_BYTES = 400_000_000  # of the bands used, over the outlines
MAX_BLOCK_BYTES = 600_000_000  # that one pixel needs to be unpacked
MARGIN_PIXELS = 4  # around the outlines, so that one drawn again a little wider finds its pixels
LARGEST = 1.0  # of an index
DENSE_DEG = 0.0005  # corners of an outline for another projection; about 50 m
_DAY = re.compile(r"(?<!\d)((?:19|20)\d\d)[-_.]?(\d\d)[-_.]?(\d\d)(?!\d)")
_ROLES = {
    "index": re.compile(r"\b(ndvi|vegetation.index|index)\b", re.IGNORECASE),
    "near_infrared": re.compile(r"\b(nir|near.?infra.?red)\b", re.IGNORECASE),
    "red": re.compile(r"\bred\b(?!.?edge)", re.IGNORECASE),
    "quality": re.compile(r"\b(clouds?|cloud.mask|quality|mask)\b", re.IGNORECASE),
}
Array = NDArray[Any]


@dataclass(frozen=True, slots=True)
class Pixels:
    """A window as numbers: index (NaN where unknown), cloud, and where its pixels lie."""

    index: NDArray[np.float64]
    cloud: NDArray[np.bool_]
    crs: Any
    transform: Any  # of pixel column and row to the coordinates of ``crs``

    @property
    def pixel_m(self) -> float:
        """Length of a pixel's side in meters."""
        side = math.sqrt(abs(self.transform.determinant))
        if self.crs.is_geographic:
            north = self.transform.f + self.transform.e * self.index.shape[0] / 2
            return side * 111_320 * math.sqrt(math.cos(math.radians(north)))
        return side * float(self.crs.linear_units_factor[1])


@contextmanager
def opened(what: Path | bytes) -> Iterator[Any]:
    """Open a GeoTIFF and nothing else; raise Rejected if it is none, or is cut off."""
    import rasterio  # noqa: PLC0415 (an extra, and start-up time)
    from rasterio.errors import RasterioError  # noqa: PLC0415
    from rasterio.io import MemoryFile  # noqa: PLC0415

    try:
        if isinstance(what, bytes):
            with MemoryFile(what) as memory, memory.open(driver="GTiff") as image:
                yield image
        else:
            with rasterio.open(what, driver="GTiff") as image:
                yield image
    except (RasterioError, ValueError, OverflowError) as error:  # of bytes by a stranger, anything
        raise Rejected(
            "the file cannot be read as GeoTIFF",
            shown(str(error.__cause__ or error)),
            "a whole GeoTIFF: copy or download it again",
        ) from None


def day_of(name: str, sidecar: bytes | None, tags: dict[str, str], zone: ZoneInfo) -> date:
    """Return the day of an image: of the file beside it, else of its name, else of its tags.

    ``sidecar``: a STAC item (its ``properties.datetime``). Of several days in a name the first
    counts, since an image is processed after it was taken. Raises Rejected if there is none.
    """
    if sidecar is not None:
        try:
            said = json.loads(sidecar)["properties"]["datetime"]
            return datetime.fromisoformat(said).astimezone(zone).date()
        except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError):
            pass
    texts = (name, tags.get("TIFFTAG_DATETIME", ""))
    for text in texts:
        days = []
        for found in _DAY.finditer(text.replace(":", "-")):
            try:
                days.append(date(*(int(part) for part in found.groups())))
            except ValueError:
                continue
        if days:
            return min(days)
    raise Rejected(
        "the day of the image is not known",
        shown(name),
        "the day in the file's name, such as 2025-06-14.tif",
    )


def bands_of(image: Any, said: ImageBands) -> dict[str, int]:
    """Return the band of each role: as farm.toml has it, else as the file describes its bands."""
    given = {r: n for r in _ROLES if (n := getattr(said, r)) is not None}
    texts = [text or "" for text in image.descriptions]
    for role, pattern in _ROLES.items():
        wanted = not (role == "index" and "red" in given) and not (
            role in ("red", "near_infrared") and "index" in given
        )
        if role not in given and wanted:
            found = [n for n, t in enumerate(texts, 1) if pattern.search(t.replace("_", " "))]
            free = [n for n in found if n not in given.values()]
            given |= {role: free[0]} if free else {}
    if "index" not in given and not {"red", "near_infrared"} <= given.keys() and image.count == 1:
        given["index"] = 1
    if "index" in given:
        given = {role: n for role, n in given.items() if role in ("index", "quality")}
    elif not {"red", "near_infrared"} <= given.keys():
        raise Rejected(
            "it is not known which band is what",
            ", ".join(f"band {n}: {shown(t)}" for n, t in enumerate(texts, 1)),
            "one band with the index, bands that are described as red and nir, or their numbers "
            "under [image_bands.SOURCE] in farm.toml",
        )
    if (most := max(given.values())) > image.count:
        raise Rejected(
            "a band is missing", f"{image.count} in the file", f"band {most}, as farm.toml has it"
        )
    return given


def on_image(outline: BaseGeometry, crs: Any, transform: Any) -> BaseGeometry:
    """Return an outline (longitude, latitude in WGS 84) in columns and rows of pixels."""
    from rasterio.errors import RasterioError  # noqa: PLC0415 (an extra, and start-up time)
    from rasterio.warp import transform_geom  # noqa: PLC0415

    try:
        there = transform_geom("EPSG:4326", crs, mapping(shapely.segmentize(outline, DENSE_DEG)))
    except (RasterioError, ValueError):
        return shapely.Polygon()
    inverse = ~transform
    return shapely.transform(
        shape(there),
        lambda xy: np.column_stack(inverse @ (xy[:, 0], xy[:, 1])),
    )


def clipped(
    image: Any, bands: dict[str, int], outlines: Iterable[BaseGeometry], tags: dict[str, str]
) -> bytes:
    """Return the window over the outlines as a GeoTIFF of the bands used; same image, same bytes.

    ``tags`` are written into it. What lies outside the outlines and a small margin is emptied, so
    that a scene of hundreds of megabytes is kept as a few. Raises Rejected: no projection, no
    place over the farm, too large.
    """
    import rasterio  # noqa: PLC0415 (an extra, and start-up time)
    from rasterio.features import geometry_mask  # noqa: PLC0415
    from rasterio.windows import Window  # noqa: PLC0415

    if image.crs is None or image.transform.is_identity:
        expected = "a GeoTIFF with a projection: export it again with its place on the map"
        raise Rejected("the image has no projection", "no projection", expected)
    frame = shapely.box(0, 0, image.width, image.height)
    shapes = [on_image(one, image.crs, image.transform) for one in outlines]
    near = [one.buffer(MARGIN_PIXELS) for one in shapes if one.intersects(frame)]
    if not near:
        raise Rejected(
            "the image does not lie over the strips",
            " ".join(f"{edge:.7g}" for edge in image.bounds) + f" in {image.crs.to_string()[:40]}",
            "an image of a field that has outlines in yieldmaps/",
        )
    west, north, east, south = shapely.union_all(near).intersection(frame).bounds
    left, top = math.floor(west), math.floor(north)
    window = Window(left, top, math.ceil(east) - left, math.ceil(south) - top)
    dtype = _dtype(image, bands, window)
    data = image.read(list(bands.values()), window=window, out_dtype=dtype)
    valid = image.read_masks(list(bands.values()), window=window).min(axis=0)
    placed = image.window_transform(window)
    pieces = [shapely.affinity.translate(one, -left, -top) for one in near]
    outside = geometry_mask(pieces, valid.shape, rasterio.Affine.identity(), all_touched=True)
    data[:, outside], valid[outside] = 0, 0
    return _written(image, bands, data, valid, placed, tags)


def _dtype(image: Any, bands: dict[str, int], window: Any) -> str:
    """Return the type that holds all bands; raise Rejected if there is too much to read."""
    dtype = np.result_type(*(image.dtypes[n - 1] for n in bands.values()))
    if dtype.kind not in "iuf":
        raise Rejected("the image has no plain numbers", shown(str(dtype)), "whole or real numbers")
    if dtype.kind in "iu" and dtype.itemsize > 4:
        dtype = np.dtype("float64")
    high, wide = max(image.block_shapes[n - 1][0] for n in bands.values()), image.block_shapes[0][1]
    block = high * wide * dtype.itemsize * image.count
    size = int(window.width * window.height) * dtype.itemsize * len(bands)
    if size > MAX_WINDOW_BYTES or block > MAX_BLOCK_BYTES:
        raise Rejected(
            "the image is too large",
            f"{max(size, block) / 1e6:,.0f} MB to unpack",
            f"at most {MAX_WINDOW_BYTES / 1e6:,.0f} MB over the outlines: export it with larger "
            "pixels, in tiles",
        )
    return str(dtype)


def _written(  # noqa: PLR0917
    image: Any,
    bands: dict[str, int],
    data: Array,
    valid: Array,
    placed: Any,
    tags: dict[str, str],
) -> bytes:
    from rasterio.io import MemoryFile  # noqa: PLC0415 (an extra, and start-up time)

    profile = {
        "driver": "GTiff",
        "count": len(bands),
        "height": data.shape[1],
        "width": data.shape[2],
        "dtype": data.dtype,
        "crs": image.crs,
        "transform": placed,
        "compress": "deflate",
        "predictor": 3 if data.dtype.kind == "f" else 2,
        "tiled": True,
    }
    with MemoryFile() as memory:
        with memory.open(**profile) as out:
            out.write(data)
            out.write_mask(valid)
            out.descriptions = tuple(bands)
            out.scales = tuple(image.scales[n - 1] for n in bands.values())
            out.offsets = tuple(image.offsets[n - 1] for n in bands.values())
            out.update_tags(**tags)
        return bytes(memory.getbuffer())


def pixels_of(image: Any, said: ImageBands) -> Pixels:
    """Return the pixels of a clip; ``said``: scale, offset and the meaning of the quality band."""
    bands = {role: n for n, role in enumerate(image.descriptions, 1)}
    valid = image.dataset_mask() > 0

    def values(role: str) -> NDArray[np.float64]:
        n = bands[role]
        scale = said.scale if said.scale is not None else image.scales[n - 1]
        offset = said.offset if said.offset is not None else image.offsets[n - 1]
        return np.asarray(image.read(n), np.float64) * scale + offset

    if "index" in bands:
        index = values("index")
    else:
        red, infrared = values("red"), values("near_infrared")
        with np.errstate(divide="ignore", invalid="ignore"):
            index = (infrared - red) / (infrared + red)
    cloud = np.zeros(valid.shape, bool)
    if "quality" in bands:
        quality = image.read(bands["quality"])
        cloud = np.isin(quality, said.cloud_values) if said.cloud_values else quality != 0
    index[~(valid & np.isfinite(index)) | cloud] = np.nan
    return Pixels(index, cloud & valid, image.crs, image.transform)


def check_scale(index: NDArray[np.float64]) -> None:
    """Raise Rejected if an index is none: numbers outside −1 to 1."""
    known = index[np.isfinite(index)]
    if known.size and np.abs(known).max() > LARGEST + 1e-6:
        raise Rejected(
            "the index is outside −1 to 1",
            f"{known.min():.6g} to {known.max():.6g}",
            "an index from −1 to 1: set scale and offset under [image_bands.SOURCE] in farm.toml",
        )


def plain_name(path: Path, root: Path) -> str:
    """Return a file's name below ``root``, with / between its parts."""
    return readable(path.relative_to(root).as_posix())
