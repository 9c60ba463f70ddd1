"""Read one image by a stranger: its bands, its day, and the window over the strips' outlines.

An image that cannot be used raises ``Rejected`` with what was found and what was expected.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from numpy.typing import NDArray

from flows.base.files import readable
from flows.books.fieldbook.problem import Rejected, shown
from flows.books.images.cut import check_block
from flows.books.images.grid import grid_of
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


@contextmanager
def opened(what: Path | bytes, opener: Callable[..., Any] | None = None) -> Iterator[Any]:
    """Open a GeoTIFF and nothing else; raise Rejected if it is none, or is cut off.

    ``opener``: gives what to read in place of a file.
    """
    import rasterio  # noqa: PLC0415 (an extra, and start-up time)
    from rasterio.errors import RasterioError  # noqa: PLC0415
    from rasterio.io import MemoryFile  # noqa: PLC0415

    try:
        if isinstance(what, bytes):
            with MemoryFile(what) as memory, memory.open(driver="GTiff") as image:
                yield image
        else:
            with rasterio.open(what, driver="GTiff", opener=opener) as image:
                yield image
    except (RasterioError, ValueError, OverflowError) as error:  # of bytes by a stranger, anything
        raise Rejected(
            "the file cannot be read as GeoTIFF",
            shown(str(error.__cause__ or error)),
            "a whole GeoTIFF: copy or download it again",
        ) from None


@contextmanager
def on_grid_of(first: Any, image: Any, role: str) -> Iterator[Any]:
    """Give an open image on the grid of another: each pixel there has the value of the nearest here."""
    from rasterio.enums import Resampling  # noqa: PLC0415 (an extra, and start-up time)
    from rasterio.vrt import WarpedVRT  # noqa: PLC0415

    grids = [(one.crs, one.transform, one.shape) for one in (first, image)]
    if grids[0] == grids[1]:
        yield image
        return
    grid_of(image)
    check_block(image)
    # outside of the image nothing is known; of a quality band 0 may be a value
    nodata = image.nodata if image.nodata is not None or role == "quality" else 0
    with WarpedVRT(
        image,
        crs=first.crs,
        transform=first.transform,
        width=first.width,
        height=first.height,
        resampling=Resampling.nearest,
        nodata=nodata,
    ) as there:
        yield there


def day_of(name: str, sidecar: bytes | None, tags: dict[str, str], zone: ZoneInfo) -> date:
    """Return the day of an image: of the file beside it, else of its name, else of its tags.

    ``sidecar``: a STAC item (its ``properties.datetime``). Of several days in a name the first
    counts, since an image is processed after it was taken. Raises Rejected if there is none.
    """
    if sidecar is not None:
        try:
            properties = json.loads(sidecar)["properties"]
            said = properties["datetime"] or properties["start_datetime"]
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
    texts = [text or "" for text in image.descriptions]
    given = {r: _number(n, texts) for r in _ROLES if (n := getattr(said, r)) is not None}
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


def _number(band: int | str, descriptions: list[str]) -> int:
    """Return the number of a band that farm.toml gives as number or description."""
    if isinstance(band, int):
        return band
    if band not in descriptions:
        found = ", ".join(shown(text) for text in descriptions if text) or "no descriptions"
        raise Rejected("a band is missing", found, f"band '{band}', as farm.toml has it")
    return descriptions.index(band) + 1


def plain_name(path: Path, root: Path) -> str:
    """Return a file's name below ``root``, with / between its parts."""
    return readable(path.relative_to(root).as_posix())
