"""Invented images of the mapped field from above: its index every ten days of two seasons, some clouded.

Made only if the libraries that read them are installed; the demo runs without.
"""

from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from importlib.util import find_spec

import numpy as np
from scipy.ndimage import gaussian_filter

from demo_warehouse.simulator import crops
from demo_warehouse.simulator.book import LENGTH_M
from demo_warehouse.simulator.farm import Farm
from demo_warehouse.simulator.files import File
from demo_warehouse.simulator.known import SIDES
from demo_warehouse.simulator.places import CORNER_DEG, METER_DEG, STRIP_M
from demo_warehouse.simulator.plan import FIRST, MAPPED

PIXEL_M = 10.0
AROUND_M = 50.0
EVERY_D = 10
SEASONS = (2024, 2025)
BARE, FULL = 0.15, 0.88  # the index of bare ground and of full cover, common practice, no source
SOIL_SD, NOISE_SD = 0.02, 0.01  # of the ground, alike over 40 m; of a pixel
CLOUDED = 0.25  # of the images


def files(rng: np.random.Generator, farm: Farm, on: date) -> Iterator[File]:
    """Yield a GeoTIFF (index, cloud) every ten days from seeding to harvest, up to the day ``on``."""
    if not all(find_spec(name) for name in ("rasterio", "exactextract")):
        return
    field, _ = MAPPED
    site = farm.plan.fields.index(field)
    cover = crops.growth(
        farm.weather[site], farm.ground.snow_cm[:, site], farm.plan.seasons[field]
    ).cover
    high, wide = (
        int(m / PIXEL_M) for m in (LENGTH_M + 2 * AROUND_M, len(SIDES) * STRIP_M + 2 * AROUND_M)
    )
    soil = gaussian_filter(rng.normal(size=(high, wide)), 4 / 2)
    soil *= SOIL_SD / soil.std()
    for season in farm.plan.seasons[field]:
        if season.harvested.year not in SEASONS:
            continue
        first, last = ((day - FIRST).days for day in (season.seeded, season.harvested))
        used = [
            farm.transpiration[first:last, farm.plan.strip(field, side)].sum() for side in SIDES
        ]
        lush = {side: mm / np.mean(used) for side, mm in zip(SIDES, used, strict=True)}
        for number in range(first, last + 1, EVERY_D):
            day = FIRST + timedelta(days=number)
            index = BARE + soil + rng.normal(0, NOISE_SD, soil.shape)
            east = (np.arange(wide) + 0.5) * PIXEL_M - AROUND_M
            by_column = np.where(east < STRIP_M, lush["treated"], lush["check"])
            green = np.clip(cover[number * 24 + 12] * by_column, 0, 1)
            index += (FULL - BARE) * green
            cloud = np.zeros_like(index)
            if rng.random() < CLOUDED:
                cloud[gaussian_filter(rng.normal(size=index.shape), 8) > 0] = 1
                index[cloud > 0] = 0.05
            if day <= on:
                taken = datetime.combine(day, time(23))
                yield File(f"images/{field} {day}.tif", _geotiff(index, cloud), taken)


def _geotiff(*bands: np.ndarray) -> bytes:
    """Return bands (index, cloud) as a GeoTIFF in degrees."""
    from rasterio import Affine  # noqa: PLC0415 (may not be installed)
    from rasterio.io import MemoryFile  # noqa: PLC0415

    data = np.stack(bands).astype(np.float32)
    across = METER_DEG / np.cos(np.radians(CORNER_DEG[1]))
    place = Affine(
        PIXEL_M * across,
        0,
        CORNER_DEG[0] - AROUND_M * across,
        0,
        -PIXEL_M * METER_DEG,
        CORNER_DEG[1] + (LENGTH_M + AROUND_M) * METER_DEG,
    )
    with MemoryFile() as memory:
        with memory.open(
            driver="GTiff",
            count=len(data),
            height=data.shape[1],
            width=data.shape[2],
            dtype="float32",
            crs="EPSG:4326",
            transform=place,
            compress="deflate",
        ) as out:
            out.write(data)
            out.descriptions = ("vegetation index", "cloud")
        return bytes(memory.getbuffer())
