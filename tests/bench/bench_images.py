"""200 images of 1,500 by 1,500 pixels over 50 strips: archived and landed once, then looked at again.

``python -m tests.bench.bench_images [IMAGES]`` prints seconds (waiting included, and of the processor), peak
memory and the archive's size. The images are invented: red, near infrared and a cloud band of 10 m pixels, 25
fields of two strips of 60 by 800 m.
"""

from __future__ import annotations

import sys
import tempfile
import time
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from tests.flows.images import EAST, NORTH, on_globe, rasterio, write
from tests.flows.loggers import ask, make, take
from tests.flows.yield_maps import collection, feature
from tests.peak import peak_mb

PIXELS = 1500
FIELDS = 25


def outlines() -> bytes:
    import shapely

    features = []
    for field in range(FIELDS):
        east, north = EAST + field % 5 * 2800 + 300, NORTH + field // 5 * 2800 + 300
        for i, side in enumerate(("treated", "check")):
            strip = shapely.box(east + i * 60, north, east + (i + 1) * 60, north + 800)
            features.append(feature(on_globe(strip), field=f"field {field}", strip=side))
    return collection(*features)


def main(images: int) -> None:
    rng = np.random.default_rng(1)
    with tempfile.TemporaryDirectory() as root:
        folder = make(Path(root) / "farm")
        folder.yield_maps.mkdir()
        (folder.yield_maps / "strips.geojson").write_bytes(outlines())
        corner = rasterio.Affine(10, 0, EAST, 0, -10, NORTH + PIXELS * 10)
        bands = rng.integers(500, 4000, (3, PIXELS, PIXELS)).astype(np.uint16)
        bands[2] = rng.random((PIXELS, PIXELS)) < 0.1
        for number in range(images):
            day = date(2020, 1, 1) + timedelta(days=number)
            bands[1] += 1
            write(
                folder.images / f"{day}.tif",
                bands,
                transform=corner,
                described=("red", "nir", "cloud"),
                tiled=True,
            )
        began, cpu = time.perf_counter(), time.process_time()
        take(folder)
        whole, cpu = time.perf_counter() - began, time.process_time() - cpu
        began = time.perf_counter()
        take(folder)
        again = time.perf_counter() - began
        ((rows, size),) = ask(
            folder,
            "SELECT (SELECT count(*) FROM vegetation_strip), "
            "(SELECT sum(size_bytes) FROM delivery WHERE source = 'images')",
        )
        print(
            f"{images} images, {rows:,} rows: {whole:.1f} s ({cpu:.1f} of processor), "
            f"again {again:.1f} s; peak {peak_mb():.0f} MB; "
            f"archive {size / 1e6:.0f} MB of {sum(p.stat().st_size for p in folder.images.iterdir()) / 1e6:.0f}"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
