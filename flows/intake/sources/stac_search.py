"""Ask a service which images lie over the farm, by STAC API item search (open standard, version 1.0.0).

The search is a POST with the area, or a GET with its box where a service takes no POST. Pages are
followed by their ``next`` links, with what those links say of method, body and headers, on the
service's own host only.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import shapely
from shapely.errors import ShapelyError
from shapely.geometry.base import BaseGeometry

from flows.base.errors import UserError
from flows.base.plain_text import counted
from flows.farm.bounds import Bounds
from flows.intake.sources import web_request
from flows.intake.sources.http import headers_of
from flows.intake.sources.web_request import Answer, Limits, Sleep
from schemas.farm.images import ImageSource

PAGE = 100  # items that are asked for at a time
MOST_PAGES = 1_000
NO_POST = frozenset({404, 405, 415, 501})
# What a link may not set: they belong to the connection.
_OURS = frozenset({"host", "content-length", "transfer-encoding", "connection"})
_LOOK = frozenset({"visual", "overview", "thumbnail"})  # roles of assets that are to be looked at


@dataclass(frozen=True, slots=True)
class Item:
    """One image of a service as its catalog describes it; ``page`` is the address it was read from."""

    content: Mapping[str, Any]
    page: httpx.URL
    at: datetime

    @property
    def id(self) -> str:
        """Return its name, which is unique within its collection."""
        return str(self.content["id"])

    @property
    def collection(self) -> str:
        """Return the collection's name, or nothing."""
        return str(self.content.get("collection") or "")

    @property
    def cloud_pct(self) -> float | None:
        """Return the share of the whole scene under cloud, if it says so."""
        return _number(self.content["properties"].get("eo:cloud_cover"))

    @property
    def updated(self) -> str:
        """Return when it was last changed, or nothing."""
        return str(self.content["properties"].get("updated") or "")

    @property
    def version(self) -> str:
        """Return what another version would differ in: its change, and files without their queries."""
        files = {
            key: [str(asset["href"]).partition("?")[0], asset.get("file:checksum")]
            for key, asset in self.content["assets"].items()
        }
        return json.dumps([self.updated, files], sort_keys=True)

    def address(self, href: str) -> httpx.URL:
        """Return an address of it, which may be relative to its own."""
        own = _link(self.content, "self")
        base = self.page.join(str(own["href"])) if own else self.page
        return base.join(href)


@dataclass(frozen=True, slots=True)
class AssetBand:
    """A band of one file of an item, and what the item says of its numbers."""

    href: str
    band: int
    scale: float | None
    offset: float | None
    nodata: float | None


def search(  # noqa: PLR0917
    source: ImageSource,
    area: BaseGeometry,
    since: datetime,
    until: datetime,
    into: Path,
    bounds: Bounds,
    sleep: Sleep,
) -> tuple[list[Item], list[str]]:
    """Return the items over the ``area`` (longitude, latitude), oldest first, and what is wrong with others.

    An item that comes twice counts once, as changed last. ``into`` is a folder for the answers. Raises as
    web_request.get does, and UserError if an answer is not an item collection.
    """
    found: dict[tuple[str, str], Item] = {}
    faults: list[str] = []
    for content, page in _pages(source, area, since, until, into, bounds, sleep):
        for feature in content["features"]:
            try:
                item = item_of(feature, page)
            except ValueError as error:
                faults.append(str(error))
                continue
            if not (since <= item.at <= until) or not _meets(feature, area):
                continue
            key = item.collection, item.id
            if key not in found or found[key].updated <= item.updated:
                found[key] = item
    return sorted(found.values(), key=lambda item: (item.at, item.id)), faults


def item_of(feature: Any, page: httpx.URL) -> Item:
    """Return an item of a page; raise ValueError with what is missing."""
    try:
        name = feature["id"]
        properties, assets = feature["properties"], feature["assets"]
        stamp = properties["datetime"] or properties["start_datetime"]
        at = datetime.fromisoformat(stamp)
        whole = isinstance(name, str) and all(isinstance(a["href"], str) for a in assets.values())
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise ValueError(f"an item without its {error}") from None
    if not whole or not name:
        raise ValueError("an item without a name, or without the address of a file")
    return Item(feature, page, at if at.tzinfo else at.replace(tzinfo=UTC))


def _pages(  # noqa: PLR0917
    source: ImageSource,
    area: BaseGeometry,
    since: datetime,
    until: datetime,
    into: Path,
    bounds: Bounds,
    sleep: Sleep,
) -> Iterator[tuple[dict[str, Any], httpx.URL]]:
    root = source.url.rstrip("/")
    url = httpx.URL(root if root.endswith("/search") else f"{root}/search")
    times = "/".join(at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ") for at in (since, until))
    first: Any = {
        "collections": list(source.collections),
        "datetime": times,
        "limit": PAGE,
        "intersects": json.loads(shapely.to_geojson(area)),
    }
    post, extra = first, dict[str, str]()
    headers = headers_of(source.headers, bounds) | {
        "Accept": "application/geo+json, application/json"
    }
    limits = Limits(source.timeout_s, int(source.size_limit_mb * 1e6), source.tries)
    seen = set[str]()
    for number in range(MOST_PAGES):
        if (asked := json.dumps([str(url), post, extra], sort_keys=True)) in seen:
            raise UserError("its pages lead back to one that was read already.")
        seen.add(asked)
        file = into / "page.json"
        try:
            answer = web_request.get(url, headers | extra, file, limits, bounds, sleep, post=post)
        except httpx.HTTPStatusError as error:
            if number or error.response.status_code not in NO_POST:
                raise
            box = ",".join(f"{edge:.5f}" for edge in area.bounds)
            names = ",".join(source.collections)
            query = {"collections": names, "bbox": box, "datetime": times, "limit": str(PAGE)}
            url = url.copy_merge_params(query)
            post = None
            answer = web_request.get(url, headers, file, limits, bounds, sleep)
        content = _collection(answer)
        yield content, answer.url
        link = _link(content, "next")
        if link is None:
            return
        url, post, extra = _next(link, answer.url, first)
        sleep(source.pause_s)
    raise UserError(f"it has more than {counted(MOST_PAGES, 'page')}.")


def _collection(answer: Answer) -> dict[str, Any]:
    wrong = UserError(
        "its answer is no item collection: see that url in farm.toml is the root of a STAC API."
    )
    assert answer.body is not None
    try:
        content = json.loads(answer.body.read_bytes())
        features = content["features"]
    except (ValueError, KeyError, TypeError, RecursionError):
        raise wrong from None
    if not isinstance(features, list):
        raise wrong
    return dict(content)


def _next(
    link: Mapping[str, Any], page: httpx.URL, first: Any
) -> tuple[httpx.URL, Any, dict[str, str]]:
    """Return address, body and headers of the next page, as its link says (``merge``: with the first's)."""
    url = page.join(str(link["href"]))
    if not web_request.same_host(page, url):
        raise UserError(f"its next page is on another host ({url.host}), which is not asked.")
    headers = link.get("headers")
    extra = {
        str(name): str(value)
        for name, value in (headers.items() if isinstance(headers, dict) else ())
        if str(name).lower() not in _OURS
    }
    if str(link.get("method", "GET")).upper() != "POST":
        return url, None, extra
    body = link.get("body")
    given = body if isinstance(body, dict) else {}
    return url, (first | given if link.get("merge") is True else given), extra


def _link(content: Mapping[str, Any], rel: str) -> Mapping[str, Any] | None:
    links = content.get("links")
    for link in links if isinstance(links, list) else ():
        if isinstance(link, dict) and link.get("rel") == rel and link.get("href"):
            return link
    return None


def _meets(feature: Mapping[str, Any], area: BaseGeometry) -> bool:
    """Return whether an item's outline meets the area; true where it has none that can be read."""
    try:
        return bool(shapely.geometry.shape(feature["geometry"]).intersects(area))
    except (KeyError, TypeError, ValueError, AttributeError, ShapelyError):
        return True


def band_named(item: Item, name: str, common: str) -> AssetBand | None:
    """Return the band that farm.toml names, None if the item has none.

    ``name`` is an asset, ``asset:band`` (number or name), or a band's common name; of an asset with
    several bands the one with the ``common`` name is taken, else the first.
    """
    assets = item.content["assets"]
    key, _, band = name.rpartition(":")
    if name in assets:
        bands = _bands(assets[name])
        at = next((n for n, b in enumerate(bands) if common in _names(b)), 0)
        return _asset_band(assets[name], at)
    if key in assets:
        bands = _bands(assets[key])
        if band.isdigit() and int(band):
            return _asset_band(assets[key], int(band) - 1)
        at = next((n for n, b in enumerate(bands) if band in _names(b)), -1)
        return None if at < 0 else _asset_band(assets[key], at)
    for asset in sorted(assets.values(), key=lambda a: "data" not in (a.get("roles") or ())):
        if _LOOK.isdisjoint(asset.get("roles") or ()):
            for n, one in enumerate(_bands(asset)):
                if name in _names(one):
                    return _asset_band(asset, n)
    return None


def _bands(asset: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return what an asset says of its bands, in order: ``bands`` (1.1), or ``eo:`` and ``raster:bands``."""
    out: list[dict[str, Any]] = []
    for key in ("bands", "eo:bands", "raster:bands"):
        given = asset.get(key)
        for n, band in enumerate(given if isinstance(given, list) else ()):
            out += [{}] if n == len(out) else []
            out[n] |= band if isinstance(band, dict) else {}
    return out


def _names(band: Mapping[str, Any]) -> set[Any]:
    given = (band.get(key) for key in ("name", "common_name", "eo:common_name"))
    return {name for name in given if isinstance(name, str)}


def _asset_band(asset: Mapping[str, Any], at: int) -> AssetBand:
    bands = _bands(asset)
    band = bands[at] if at < len(bands) else {}

    def value(*keys: str) -> float | None:
        given = [_number(of[key]) for of in (band, asset) for key in keys if key in of]
        return given[0] if given else None

    scale = value("raster:scale", "scale")
    return AssetBand(
        str(asset["href"]),
        at + 1,
        scale if scale is None or scale > 0 else None,
        value("raster:offset", "offset"),
        value("nodata"),
    )


def _number(value: Any) -> float | None:
    usable = isinstance(value, int | float) and not isinstance(value, bool)
    return float(value) if usable and abs(value) < 1e15 else None
