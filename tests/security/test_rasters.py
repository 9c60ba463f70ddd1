"""Rasters by strangers: nothing beside them is opened, nothing large is unpacked."""

from __future__ import annotations

import threading
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("exactextract")
import rasterio

from flows.books.fieldbook.problem import Rejected
from flows.books.images import extra, geotiff
from tests.flows.images import outlines, two_strips, write
from tests.flows.loggers import ask, make, take

VRT = """<VRTDataset rasterXSize="32" rasterYSize="60"><SRS>EPSG:32614</SRS>
<GeoTransform>556900, 10, 0, 5528500, 0, -10</GeoTransform><VRTRasterBand dataType="Float32" band="1">
<SimpleSource><SourceFilename>{}</SourceFilename><SourceBand>1</SourceBand></SimpleSource>
</VRTRasterBand></VRTDataset>"""


@pytest.fixture
def asked():
    """A server on this computer, and what was asked of it."""
    seen: list[str] = []

    class Answer(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            seen.append(self.path)
            self.send_error(404)

        do_HEAD = do_GET

        def log_message(self, *_: object) -> None:
            pass

    server = HTTPServer(("127.0.0.1", 0), Answer)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield seen, f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    server.server_close()


def test_a_raster_that_points_elsewhere_is_rejected_and_nothing_is_asked(tmp_path, asked) -> None:
    seen, address = asked
    secret = write(tmp_path / "secret.tif", two_strips())
    for number, target in enumerate((secret, f"/vsicurl/{address}/a.tif", f"{address}/b.tif")):
        trap = tmp_path / f"2024-07-0{number + 1}.tif"
        trap.write_text(VRT.format(target))
        with pytest.raises(Rejected), extra.alone(), geotiff.opened(trap) as image:
            image.read()
    assert seen == []


def test_sidecars_are_not_looked_at(tmp_path) -> None:
    """A description of the projection beside an image without one would let it land."""
    image = write(tmp_path / "2024-07-01.tif", two_strips(), crs=None)
    image.with_suffix(".tif.aux.xml").write_text(
        "<PAMDataset><SRS>EPSG:32614</SRS></PAMDataset>", encoding="utf-8"
    )
    with rasterio.open(image) as found:
        assert found.crs is not None
    with extra.alone(), geotiff.opened(image) as found:
        assert found.crs is None


def test_what_unpacks_to_gigabytes_is_rejected_unread(tmp_path: Path) -> None:
    """30,000 by 30,000 empty numbers in one block are a few MB of file and 3.6 GB of memory."""
    folder = make(tmp_path / "farm")
    folder.yield_maps.mkdir()
    (folder.yield_maps / "strips.geojson").write_bytes(outlines())
    bomb = folder.images / "2024-07-01.tif"
    bomb.parent.mkdir()
    fine = rasterio.Affine(0.02, 0, 556_990, 0, -0.02, 5_528_410)
    with rasterio.open(
        bomb, "w", driver="GTiff", width=30_000, height=30_000, count=1, dtype="float32",
        crs="EPSG:32614", transform=fine, compress="deflate", tiled=True, SPARSE_OK=True,
    ):  # fmt: skip
        pass
    write(folder.images / "2024-07-02.tif", two_strips())
    take(folder)
    found = ask(folder, "SELECT sheet, cause FROM book_problem WHERE book = 'images'")
    assert found == [("2024-07-01.tif", "the image is too large")]
    assert ask(folder, "SELECT count(*) FROM vegetation_strip") == [(2,)]


@pytest.mark.parametrize("seed", range(8))
def test_bytes_changed_anywhere_are_rejected_or_read_and_never_crash(tmp_path, seed) -> None:
    folder = make(tmp_path / "farm")
    folder.yield_maps.mkdir()
    (folder.yield_maps / "strips.geojson").write_bytes(outlines())
    rng = np.random.default_rng(seed)
    for number in range(6):
        path = write(
            folder.images / f"2024-07-{number + 1:02}.tif", two_strips(), compress="deflate"
        )
        content = bytearray(path.read_bytes())
        for at in rng.integers(0, len(content), 12):
            content[at] = rng.integers(256)
        path.write_bytes(content)
    take(folder)
    ((landed, refused),) = ask(
        folder,
        "SELECT count(*) FILTER (state = 'landed'), count(*) FILTER (state = 'refused') "
        "FROM delivery WHERE source = 'images'",
    )
    assert landed + refused == 6
