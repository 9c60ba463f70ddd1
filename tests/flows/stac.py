"""A STAC API on loopback (item search of the open standard, ranges of bytes), and items of its catalog."""

from __future__ import annotations

import json
import re
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import shapely

COLLECTION = "surface-reflectance"


@dataclass
class Catalog:
    """What the service has, how it behaves, and what was asked of it (method, path, range, headers)."""

    items: list[dict[str, Any]] = field(default_factory=list)
    files: dict[str, bytes] = field(default_factory=dict)
    asked: list[tuple[str, str, str, dict[str, str]]] = field(default_factory=list)
    bodies: list[dict[str, Any]] = field(default_factory=list)
    page: int = 2
    post: bool = True
    ranges: bool = True
    merge: bool = True
    down: int = 0  # answers every search with this status
    broken: set[str] = field(default_factory=set)  # files of which only the first bytes are sent
    next_at: str = ""  # where its next pages are
    redirects: dict[str, str] = field(default_factory=dict)
    slow_s: dict[str, float] = field(default_factory=dict)
    url: str = ""

    @property
    def host(self) -> str:
        return self.url.removeprefix("http://")

    def add(self, name: str, at: str, files: dict[str, bytes | str], **more: Any) -> dict[str, Any]:
        """Add an item with a file for each asset: its bytes, or an address."""
        assets: dict[str, Any] = {}
        for key, content in files.items():
            href = content
            if isinstance(content, bytes):
                self.files[f"/files/{name}/{key}.tif"] = content
                href = f"../files/{name}/{key}.tif"
            assets[key] = {
                "href": href,
                "type": "image/tiff; application=geotiff",
                "roles": ["data"],
            }
            if key in ("red", "nir"):
                assets[key]["raster:bands"] = [{"scale": 0.0001}]
            assets[key] |= more.get("said", {}).get(key, {})
        west, south, east, north = more.get("box", (-98.5, 49.5, -97.5, 50.3))
        item = {
            "type": "Feature",
            "stac_version": "1.0.0",
            "id": name,
            "collection": COLLECTION,
            "geometry": json.loads(shapely.to_geojson(shapely.box(west, south, east, north))),
            "bbox": [west, south, east, north],
            "properties": {"datetime": at, "updated": at} | more.get("properties", {}),
            "links": [],
            "assets": assets,
        }
        self.items.append(item)
        return item

    def found(self, asked: dict[str, Any]) -> list[dict[str, Any]]:
        """Items that meet collections, time and place, as the standard has them."""
        assert not {"bbox", "intersects"} <= asked.keys()
        area = shapely.box(*asked["bbox"]) if "bbox" in asked else None
        area = area or shapely.geometry.shape(asked["intersects"])
        since, until = asked["datetime"].split("/")
        return [
            item
            for item in self.items
            if item["collection"] in asked["collections"]
            and since <= item["properties"]["datetime"][:19] + "Z" <= until
            and shapely.geometry.shape(item["geometry"]).intersects(area)
        ]

    def answer(self, asked: dict[str, Any], number: int, method: str) -> dict[str, Any]:
        found = self.found(asked)
        part = found[number * self.page : (number + 1) * self.page]
        links: list[dict[str, Any]] = [{"rel": "root", "href": f"{self.url}/v1"}]
        if (number + 1) * self.page < len(found):
            more: dict[str, Any] = {
                "rel": "next",
                "method": method,
                "href": f"{self.url}/v1/search",
            }
            if method == "POST":
                more |= {"body": {"token": number + 1}, "merge": True}
                if not self.merge:
                    more |= {"body": asked | {"token": number + 1}, "merge": False}
            else:
                query = f"collections={','.join(asked['collections'])}&datetime={asked['datetime']}"
                query += "&bbox=" + ",".join(map(str, asked["bbox"]))
                more["href"] = f"/v1/search?{query}&token={number + 1}"
            links.append(more | ({"href": self.next_at} if self.next_at else {}))
        return {"type": "FeatureCollection", "features": part, "links": links}


@contextmanager
def serving(catalog: Catalog | None = None) -> Iterator[Catalog]:
    """Serve a catalog on loopback."""
    it = catalog or Catalog()

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.0"

        def _send(self, body: bytes, status: int = 200, **headers: str) -> None:
            self.send_response(status)
            for name, value in headers.items():
                self.send_header(name.replace("_", "-"), value)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            with suppress(BrokenPipeError, ConnectionResetError):
                self.wfile.write(body)

        def _note(self) -> str:
            path = urlsplit(self.path).path
            one = self.command, path, self.headers.get("Range", ""), dict(self.headers)
            it.asked.append(one)
            return path

        def do_POST(self) -> None:
            self._note()
            body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
            it.bodies.append(body)
            if it.down or not it.post:
                self._send(b"no", it.down or 405)
                return
            number = int(body.get("token", 0))
            self._send(json.dumps(it.answer(body, number, "POST")).encode())

        def do_GET(self) -> None:
            path = self._note()
            time.sleep(it.slow_s.get(path, 0))
            if path in it.redirects:
                self._send(b"", 302, Location=it.redirects[path])
            elif path == "/v1/search":
                if it.down:
                    self._send(b"no", it.down)
                    return
                given = {
                    key: values[0] for key, values in parse_qs(urlsplit(self.path).query).items()
                }
                asked: dict[str, Any] = dict(given)
                asked["collections"] = given["collections"].split(",")
                asked["bbox"] = [float(edge) for edge in given["bbox"].split(",")]
                page = it.answer(asked, int(given.get("token", 0)), "GET")
                self._send(json.dumps(page).encode())
            elif path not in it.files:
                self._send(b"none", 404)
            elif path in it.broken and "=0-" not in self.headers.get("Range", ""):
                self._send(b"no", 503)
            else:
                self._file(it.files[path])

        def _file(self, content: bytes) -> None:
            tag = f'"{hash(content)}"'
            span = re.fullmatch(r"bytes=(\d+)-(\d+)", self.headers.get("Range", ""))
            if not it.ranges or span is None:
                self._send(content, ETag=tag)
                return
            begin, end = int(span[1]), min(int(span[2]), len(content) - 1)
            where = f"bytes {begin}-{end}/{len(content)}"
            self._send(content[begin : end + 1], 206, Content_Range=where, ETag=tag)

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    it.url = f"http://127.0.0.1:{server.server_port}"
    try:
        yield it
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def farm_toml(catalog: Catalog, bands: str = "", **keys: object) -> str:
    """The part of farm.toml with a STAC source named ``far``."""
    given: dict[str, object] = {
        "name": "far",
        "kind": "stac",
        "url": f"{catalog.url}/v1",
        "collections": [COLLECTION],
        "asset_hosts": [catalog.host],
        "every_h": 0,
        "timeout_s": 2.0,
        "tries": 1,
        "pause_s": 0,
    } | keys
    lines = [f"{key} = {_toml(value)}" for key, value in given.items()]
    begin = "" if "begin" in keys else "begin = 2024-01-01\n"
    return "\n[[sources]]\n" + "\n".join(lines) + f"\n{begin}\n{bands}\n"


def _toml(value: object) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_toml(one)}" for key, one in value.items()) + " }"
    return json.dumps(value)


def tiff(path: Path) -> bytes:
    """A file's bytes; the file is removed."""
    content = path.read_bytes()
    path.unlink()
    return content
