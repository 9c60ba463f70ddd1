"""Land without a difference seen from above: how often the interval of two strips' difference holds zero.

``python -m tests.bench.bench_image_ground [PAIRS] [RASTER …]`` prints for each texture and layout of strips the
share of 95% intervals that hold zero and in parentheses their width as a multiple of what was needed. A RASTER is a
GeoTIFF of real land (its first band, or near infrared and red by ``file.tif:4:3``), on which pairs of strips are
laid at random places. Seeds are not those of the tests, and only "exponential" is among the method's own laws.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from tests.image_ground import SIDE, covered, strips, texture
from transforms.methods import alike_ground

LAYOUTS = {  # rows, columns, gap
    "80 by 4, side by side": (80, 4, 2),
    "80 by 4, one strip between": (80, 4, 8),
    "40 by 3, one strip between": (40, 3, 8),
    "200 by 10, side by side": (200, 10, 2),
    "20 by 2 (few pixels)": (20, 2, 2),
    "24 by 1 (few pixels)": (24, 1, 2),
}
TEXTURES = {
    "unlike pixels": ("unlike",),
    "exponential 3": ("exponential", 3.0),
    "exponential 10": ("exponential", 10.0),
    "exponential 40": ("exponential", 40.0),
    "spherical 10, 40% noise": ("spherical", 10.0, 0.4),
    "spherical 40": ("spherical", 40.0),
    "Matérn 8": ("matern", 8.0),
    "Gaussian 8": ("gaussian", 8.0),
    "Gaussian 8, 30% noise": ("gaussian", 8.0, 0.3),
    "power 2": ("power", 2.0),
    "power 2.5": ("power", 2.5),
    "power 3.5": ("power", 3.5),
    "exponential 8, streaks 2": ("exponential", 8.0, 0.0, 2.0),
    "exponential 5, streaks 8": ("exponential", 5.0, 0.2, 8.0),
}
SEED = 90_000


def cell(found: tuple[float, float]) -> str:
    return f"{100 * found[0]:.0f} ({found[1]:.1f})"


def line(name: str, cells: list[str]) -> None:
    print(f"| {name} | {' | '.join(cells)} |", flush=True)


def invented(pairs: int) -> None:
    line("land", list(LAYOUTS))
    line("---", ["---"] * len(LAYOUTS))
    for name, of in TEXTURES.items():
        land = texture(*of)
        line(name, [cell(covered(land, pairs, *at, seed=SEED)) for at in LAYOUTS.values()])
    rows, columns = np.mgrid[0:SIDE, 0:SIDE]
    added = {
        "with a slope along the strips": 0.05 * rows,
        "with a slope across (2% of a pixel's spread a pixel)": 0.02 * columns,
        "with rows every 3 pixels across": np.cos(2 * np.pi * columns / 3),
        "with rows every 5 pixels along": np.cos(2 * np.pi * rows / 5),
    }
    land = texture("exponential", 10.0, 0.2)
    for name, more in added.items():
        found = [covered(land, pairs, *at, seed=SEED, added=more) for at in LAYOUTS.values()]
        line(f"exponential 10, {name}", [cell(one) for one in found])
    for reach in (3.0, 10.0, 40.0):
        land = texture("exponential", reach)
        found = [covered(land, pairs, *at, seed=SEED, apart=True) for at in LAYOUTS.values()]
        line(f"exponential {reach:.0f}, nothing in common", [cell(one) for one in found])
        found = [
            covered(land, pairs, *at, seed=SEED, shorter=at[0] // 2) for at in LAYOUTS.values()
        ]
        line(f"exponential {reach:.0f}, check half as long", [cell(one) for one in found])


def real(name: str, pairs: int) -> None:
    """Pairs of strips at random places of a raster, along rows or columns; places without values are left."""
    import rasterio

    path, *bands = name.split(":")
    with rasterio.open(path) as image:
        read = image.read([int(b) for b in bands] or [1], masked=True).astype(float).filled(np.nan)
    land = read[0] if len(read) == 1 else (read[0] - read[1]) / (read[0] + read[1])
    land[land == 0] = np.nan
    rng = np.random.default_rng(SEED)
    cells = []
    for long, wide, gap in LAYOUTS.values():
        found, halves = [], []
        for _ in range(40 * pairs):
            on = land if rng.random() < 0.5 else land.T
            high, across = (
                size - need for size, need in zip(on.shape, (long, 2 * wide + gap), strict=True)
            )
            if min(high, across) < 1 or len(found) == pairs:
                break
            top, left = rng.integers(high), rng.integers(across)
            if not np.isfinite(on[top : top + long, left : left + 2 * wide + gap]).all():
                continue
            both = strips(on, long, wide, gap, top, left)
            means = [np.average(c.means, weights=c.pixels) for c in both]
            found.append(means[0] - means[1])
            halves.append(alike_ground.half_width(*both))
        share = np.mean(np.abs(found) <= halves) if found else np.nan
        needed = np.quantile(np.abs(found), 0.95) if found else np.nan
        cells.append(f"{100 * share:.0f} ({np.median(halves) / needed:.1f})" if found else "")
    line(f"{Path(path).name} {' '.join(bands)}", cells)


def main(pairs: int, rasters: list[str]) -> None:
    if not rasters:
        invented(pairs)
    for name in rasters:
        real(name, pairs)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 300, sys.argv[2:])
