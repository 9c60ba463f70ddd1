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
        return number(self.content["properties"].get("eo:cloud_cover"))

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
class Search:
    """What a service is asked for, and what with. ``into`` is a folder for its answers."""

    source: ImageSource
    area: BaseGeometry
    since: datetime
    until: datetime
    into: Path
    bounds: Bounds
    sleep: Sleep

    def get(self, url: httpx.URL, headers: dict[str, str], post: Any) -> Answer:
        """Return the answer of one request; raises as web_request.get does."""
        source = self.source
        own = headers_of(source.headers, self.bounds)
        own["Accept"] = "application/geo+json, application/json"
        limits = Limits(source.timeout_s, int(source.size_limit_mb * 1e6), source.tries)
        file = self.into / "page.json"
        return web_request.get(url, own | headers, file, limits, self.bounds, self.sleep, post=post)


def search(what: Search) -> tuple[list[Item], list[str]]:
    """Return the items over the area (longitude, latitude), oldest first, and what is wrong with others.

    An item that comes twice counts once, as changed last. Raises as web_request.get does, and UserError
    if an answer is not an item collection.
    """
    found: dict[tuple[str, str], Item] = {}
    faults: list[str] = []
    for content, page in _pages(what):
        for feature in content["features"]:
            try:
                item = item_of(feature, page)
            except ValueError as error:
                faults.append(str(error))
                continue
            if not (what.since <= item.at <= what.until) or not _meets(feature, what.area):
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


def _pages(what: Search) -> Iterator[tuple[dict[str, Any], httpx.URL]]:
    source, area = what.source, what.area
    root = source.url.rstrip("/")
    url = httpx.URL(root if root.endswith("/search") else f"{root}/search")
    times = "/".join(
        at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ") for at in (what.since, what.until)
    )
    first: Any = {
        "collections": list(source.collections),
        "datetime": times,
        "limit": PAGE,
        "intersects": json.loads(shapely.to_geojson(area)),
    }
    post, extra = first, dict[str, str]()
    seen = set[str]()
    for number in range(MOST_PAGES):
        if (asked := json.dumps([str(url), post, extra], sort_keys=True)) in seen:
            raise UserError("its pages lead back to one that was read already.")
        seen.add(asked)
        try:
            answer = what.get(url, extra, post)
        except httpx.HTTPStatusError as error:
            if number or error.response.status_code not in NO_POST:
                raise
            box = ",".join(f"{edge:.5f}" for edge in area.bounds)
            names = ",".join(source.collections)
            query = {"collections": names, "bbox": box, "datetime": times, "limit": str(PAGE)}
            url = url.copy_merge_params(query)
            post = None
            answer = what.get(url, {}, None)
        content = _collection(answer)
        yield content, answer.url
        link = _link(content, "next")
        if link is None:
            return
        url, post, extra = _next(link, answer.url, first)
        what.sleep(source.pause_s)
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


def number(value: Any) -> float | None:
    """Return a number of an item, None if it is none."""
    usable = isinstance(value, int | float) and not isinstance(value, bool)
    return float(value) if usable and abs(value) < 1e15 else None
