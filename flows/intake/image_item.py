"""Cut one item of a STAC source to the strips, reading only the bytes that hold them."""

from __future__ import annotations

import json
from collections import Counter
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import httpx
import numpy as np
from shapely.geometry.base import BaseGeometry

from flows.books.fieldbook.problem import Rejected, shown
from flows.books.images import extra, geotiff
from flows.books.images import folder as images
from flows.books.images.cut import Layer, NothingThere, clipped
from flows.books.images.grid import grid_of
from flows.books.images.outlines import OfYear
from flows.farm.bounds import Bounds
from flows.intake.sources import web_request
from flows.intake.sources.http import headers_of
from flows.intake.sources.remote_file import Hosts, RemoteFile
from flows.intake.sources.stac_bands import AssetBand, as_reflectance, band_named, first_named
from flows.intake.sources.stac_search import Item
from flows.intake.sources.web_request import Limits, Sleep
from schemas.farm.images import ImageBands, ImageSource

COMMON = {"red": ("red",), "near_infrared": ("nir", "nir08"), "index": ("ndvi",), "quality": ()}
GONE = frozenset({401, 403, 404, 409, 410})  # 409: what some stores answer without a signature


class NotRead(Exception):
    """One image cannot be read as things are; others can. Not archived, so it is tried again."""


@dataclass(slots=True)
class Asked:
    """One source as it is asked now."""

    source: ImageSource
    said: ImageBands
    outlines: OfYear
    area: BaseGeometry
    how: str
    into: Path
    bounds: Bounds
    sleep: Sleep
    zone: ZoneInfo
    notes: list[str] = field(default_factory=list)
    left: Counter[str] = field(default_factory=Counter)


def content_of(asked: Asked, item: Item) -> bytes:
    """Return an item's cut, or why there is none as JSON.

    Raises NotRead, WrongHost and TooLarge (another set-up may read it), and what web_request.get raises.
    """
    remotes: list[RemoteFile] = []
    described = json.dumps(dict(item.content), sort_keys=True)
    day = item.at.astimezone(asked.zone).date()
    try:
        outlines = asked.outlines(day.year)
        with extra.alone(), ExitStack() as stack:
            layers = _layers(asked, item, stack, remotes)
            content = clipped(
                layers,
                outlines,
                {
                    "day": day.isoformat(),
                    "source": asked.source.name,
                    "said": asked.said.model_dump_json(),
                    "item": described,
                },
            )
        images.check(content, asked.said, outlines)
        return content
    except Rejected as wrong:
        if failed := next((one.error for one in remotes if one.error is not None), None):
            raise failed from None
        reason = {"cause": wrong.cause, "found": wrong.found, "expected": wrong.expected}
        given = {"nothing": isinstance(wrong, NothingThere), "item": json.loads(described)}
        return json.dumps(reason | given, sort_keys=True).encode()


def _layers(
    asked: Asked, item: Item, stack: ExitStack, remotes: list[RemoteFile]
) -> dict[str, Layer]:
    """Open the files of an item that are needed, each once; all on the grid of the first band."""
    bands = _bands(asked.said, item)
    opened: dict[str, Any] = {}
    for one in bands.values():
        if one.href not in opened:
            remote = _remote(asked, item, one)
            remotes.append(remote)
            opened[one.href] = stack.enter_context(
                geotiff.opened(Path("image.tif"), remote.opener())
            )
    first = opened[next(iter(bands.values())).href]
    grid_of(first)
    layers = {}
    for role, said in bands.items():
        image, one = opened[said.href], said
        if one.band > image.count:
            raise Rejected("a band is missing", f"{image.count} in the file", f"band {one.band}")
        on_first = stack.enter_context(geotiff.on_grid_of(first, image, role))
        if role in ("red", "near_infrared") and np.dtype(image.dtypes[one.band - 1]).kind in "iu":
            if image.offsets[said.band - 1] == 0.0:  # else the file says itself what to take off
                one = as_reflectance(item, said, image.scales[said.band - 1])
            _check_numbers(asked.said, one, image)
        scale = image.scales[one.band - 1] if one.scale is None else one.scale
        offset = image.offsets[one.band - 1] if one.offset is None else one.offset
        layers[role] = Layer(on_first, one.band, scale, offset, one.nodata)
    return layers


def _check_numbers(said: ImageBands, one: AssetBand, image: Any) -> None:
    """Raise NotRead if nobody says how whole numbers become reflectance: an offset changes the index."""
    of_file = image.scales[one.band - 1], image.offsets[one.band - 1]
    known = (said.scale, said.offset, one.scale, one.offset)
    if all(value is None for value in known) and of_file == (1.0, 0.0):
        raise NotRead(
            "nothing says how its whole numbers become reflectance, and an offset changes the index. Look "
            "them up at the service and write scale and offset (0 if there is none) under "
            "[image_bands.SOURCE] in farm.toml."
        )


def _bands(said: ImageBands, item: Item) -> dict[str, AssetBand]:
    """Return the band of each role, as farm.toml names it or else by its common name."""
    of_index = said.index is not None
    roles = ("index", "quality") if of_index else ("red", "near_infrared", "quality")
    out = {}
    for role in roles:
        given = getattr(said, role)
        if role == "quality" and given is None:
            continue
        common = COMMON[role]
        name = " or ".join(common) if given is None else str(given)
        found = first_named(item, common) if given is None else band_named(item, name, common)
        if found is None:
            there = ", ".join(shown(key) for key in list(item.content["assets"])[:8])
            raise NotRead(
                f"no file or band is named '{name}' ({role}); its files are {there}. Name it under "
                "[image_bands.SOURCE] in farm.toml."
            )
        out[role] = found
    return out


def _remote(asked: Asked, item: Item, band: AssetBand) -> RemoteFile:
    source = asked.source
    remote = RemoteFile(
        item.address(band.href),
        headers_of(source.asset_headers, asked.bounds),
        Hosts(source.asset_hosts, plain=source.url.startswith("http:")),
        Limits(source.timeout_s, int(source.size_limit_mb * 1e6), source.tries),
        asked.into,
        asked.bounds,
        asked.sleep,
    )
    try:
        remote.start()
    except httpx.HTTPStatusError as error:
        if error.response.status_code not in GONE:
            raise
        raise NotRead(
            f"its file is not given out ({web_request.reason_without_url(error)}) It is asked for again "
            "until it is older than overlap_d."
        ) from None
    return remote
