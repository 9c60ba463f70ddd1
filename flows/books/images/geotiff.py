"""Read one image by a stranger: its bands, its day, and the window over the strips' outlines.

An image that cannot be used raises ``Rejected`` with what was found and what was expected.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from numpy.typing import NDArray

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


def plain_name(path: Path, root: Path) -> str:
    """Return a file's name below ``root``, with / between its parts."""
    return readable(path.relative_to(root).as_posix())
