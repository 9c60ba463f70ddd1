"""What laying strips by a map costs and gives: ``python -m tests.bench.bench_like_ground [FOLDER]``.

Fields of 600 by 400 m on squares of 2 m, drawn on a torus twice as large, so that their law is the same
everywhere (circulant embedding). Strips are means of squares by the share that lies in them, so each pair is
exactly as far apart as the next. Laws: ``exponential`` (ranges of 20 and 150 m; the ruler and the border were
set looking at it and at ``smooth``); ``smith`` (spectrum falling by the 1.2th power: variance of plots by the
-0.4th power of their area, H. F. Smith 1938) and ``fractal`` (by the 3rd power) judge. FOLDER: published uniformity
trials as in ``bench_uniformity``; differences at the edge and away from it.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from functools import cache
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray

from tests.bench.bench_trial import markdown
from tests.bench.bench_uniformity import runs, trials
from transforms.methods.like_ground import SPACING_M, Maps, maps_of, unlike
from transforms.methods.strip_layout import Design, Layout, lay_out, spans_of

Array = NDArray[np.float64]

WIDE, LONG = 600.0, 400.0
CELL_M, TORUS = 2.0, 512
FIELD, NOTHING = shapely.box(0, 0, WIDE, LONG), shapely.GeometryCollection()
DESIGN = Design(9.0, None, 0.0, 3.0, 27.0, 3)
EAST, NORTH = np.meshgrid(
    np.arange(SPACING_M / 2, WIDE, SPACING_M), np.arange(SPACING_M / 2, LONG, SPACING_M)
)
XY = np.column_stack([EAST.ravel(), NORTH.ravel()])


@cache
def _root_of_spectrum(law: str) -> Array:
    lag = np.minimum(np.arange(TORUS), TORUS - np.arange(TORUS)) * CELL_M
    far = np.hypot(*np.meshgrid(lag, lag))
    if law in ("smith", "fractal"):
        wave = np.hypot(*np.meshgrid(np.fft.fftfreq(TORUS), np.fft.fftfreq(TORUS)))
        wave[0, 0] = np.inf
        return np.asarray(wave ** -({"smith": 1.2, "fractal": 3.0}[law] / 2))
    near = {
        "exponential": (np.exp(-far / 20) + np.exp(-far / 150)) / 2,
        "smooth": np.exp(-((far / 50) ** 2) / 2),
        "short": np.exp(-far / 15),
    }[law]
    return np.sqrt(np.maximum(np.fft.fft2(near).real, 0.0))


def drawn(law: str, seed: int) -> Array:
    """Return a field's surface, squares north by east, mean 0, standard deviation 1."""
    noise = np.fft.fft2(np.random.default_rng(seed).normal(size=(TORUS, TORUS)))
    found = np.fft.ifft2(noise * _root_of_spectrum(law)).real
    own = found[: int(LONG / CELL_M), : int(WIDE / CELL_M)]
    return np.asarray((own - own.mean()) / own.std())


def on_grid(surface: Array) -> Array:
    """Return a surface where the plan reads its maps."""
    return np.asarray(surface[tuple((XY / CELL_M).astype(int).T[::-1])])


def differences(surface: Array, layout: Layout) -> Array:
    """Return one side less the other of each block, exact means of the squares."""
    edges = np.arange(surface.shape[1] + 1) * CELL_M
    found = []
    for left, low, high in spans_of(layout):
        rows = surface[round(low / CELL_M) : round(high / CELL_M)].mean(axis=0)
        summed = np.concatenate([[0.0], np.cumsum(rows) * CELL_M])
        wide = layout.width.width_m
        sides = [left, left + wide + layout.design.border_m]
        one, other = (
            np.interp(s + wide, edges, summed) - np.interp(s, edges, summed) for s in sides
        )
        found.append((other - one) / wide)
    return np.array(found)


@cache
def plain() -> Layout:
    """Return the layout of the field without a map."""
    return lay_out(FIELD, NOTHING, DESIGN, 1)


def laid(maps: Maps) -> Layout:
    """Return the layout of the field by maps."""
    return lay_out(FIELD, NOTHING, DESIGN, 1, unlike(maps, DESIGN, plain().width))


def unrelated(law: str, map_law: str, seeds: range, maps: int) -> tuple[float, float]:
    """Return how much more sides differ by maps that have nothing to do with the yield, and its standard error.

    ``maps``: of the seeds, drawn. Each layout is judged on each yield, so that luck of single
    pairs of surfaces averages out.
    """
    yields = [drawn(law, seed) for seed in seeds]
    layouts = [laid(maps_of(XY, [on_grid(drawn(map_law, 100_000 + s))])) for s in seeds[:maps]]
    lefts, times = np.unique([one.strips[0].across_m for one in layouts], return_counts=True)
    by_left = {one.strips[0].across_m: one for one in layouts}
    without = np.array([np.mean(differences(one, plain()) ** 2) for one in yields])
    by_map = np.array(
        [
            np.average([np.mean(differences(one, by_left[at]) ** 2) for at in lefts], weights=times)
            for one in yields
        ]
    )
    return ratio(without, by_map)


def related(
    law: str, likeness: float, seeds: Iterable[int], beside: int = 0
) -> tuple[float, float]:
    """Return the same if yield and map correlate by ``likeness``; ``beside``: unrelated maps there too."""
    without, by_map = list[float](), list[float]()
    for seed in seeds:
        ground = drawn(law, seed)
        yields = likeness * ground + np.sqrt(1 - likeness**2) * drawn(law, 200_000 + seed)
        others = [on_grid(drawn("smooth", 300_000 + 10 * seed + one)) for one in range(beside)]
        maps = maps_of(XY, [*others, on_grid(ground)], beside)
        without.append(float(np.mean(differences(yields, plain()) ** 2)))
        by_map.append(float(np.mean(differences(yields, laid(maps)) ** 2)))
    return ratio(np.array(without), np.array(by_map))


def ratio(one: Array, other: Array) -> tuple[float, float]:
    """Return the ratio of root mean squares, other to one, and its standard error (bootstrap over fields)."""
    draws = np.random.default_rng(0).integers(0, one.size, (500, one.size))
    spread = np.sqrt(other[draws].mean(axis=1) / one[draws].mean(axis=1)).std()
    return float(np.sqrt(other.mean() / one.mean())), float(spread)


def published(folder: Path) -> list[dict[str, object]]:
    """Return how sides differ away from the edge and anywhere, to the middle, by half of the trials."""
    rows: list[dict[str, object]] = []
    found = trials(folder)
    for half in (0, 1):
        for wide, blocks in ((1, 2), (1, 3), (2, 2), (2, 3)):
            each = []
            for name in sorted(found)[half::2]:
                own = [
                    squares
                    for grid in found[name].values()
                    for _, _, passes in runs(grid)
                    if (squares := _squares(passes, blocks, wide)).size >= 2 * wide + 3
                ]
                if own and (mean := np.mean([one.mean() for one in own])) > 0:
                    middle = np.mean([one[one.size // 2] for one in own])
                    inner = np.mean([one[wide:-wide].mean() for one in own])
                    each.append((middle / mean, 1.0, inner / mean))
            middle, anywhere, inner = np.array(each).T
            rows.append(
                {
                    "half": half,
                    "passes a strip": wide,
                    "blocks": blocks,
                    "trials": len(each),
                    "anywhere": _told(ratio(middle, anywhere)),
                    "away from the edge": _told(ratio(middle, inner)),
                }
            )
    return rows


def _squares(passes: Array, blocks: int, wide: int) -> Array:
    """Return the mean square of the blocks' differences by place, in percent of the mean."""
    many = 2 * blocks * wide
    if not np.isfinite(passes).all() or passes.size <= many:
        return np.empty(0)
    own = np.lib.stride_tricks.sliding_window_view(passes, many)
    sides = own.reshape(-1, blocks, 2, wide).mean(axis=3)
    return np.asarray(((100 * np.diff(sides, axis=2) / passes.mean()) ** 2).mean(axis=(1, 2)))


def _told(found: tuple[float, float]) -> str:
    return f"{found[0]:.2f} ± {found[1]:.2f}"


def main(fields: int = 300) -> None:
    """Print the tables of FIGURES.md."""
    if len(sys.argv) > 1:
        print(markdown(published(Path(sys.argv[1]))), flush=True)
    rows: list[dict[str, object]] = []
    seeds = range(5_000, 5_000 + fields)
    for law, other in (("smith", "smooth"), ("fractal", "smooth"), ("smith", "short")):
        found = unrelated(law, other, seeds, fields // 5)
        rows.append({"yield": law, "map": f"unrelated, {other}", "ratio": _told(found)})
        print(markdown(rows), flush=True)
    for law, likeness, beside in (
        *(("smith", 0.8, 0), ("smith", 0.8, 3), ("fractal", 0.8, 0), ("fractal", 0.5, 0)),
        *(("smith", 0.5, 0), ("fractal", 0.95, 0), ("smith", 0.95, 0)),
    ):
        found = related(law, likeness, seeds[: fields // 5], beside)
        what = f"correlation {likeness}" + (
            f", {beside} unrelated maps beside it" if beside else ""
        )
        rows.append({"yield": law, "map": what, "ratio": _told(found)})
        print(markdown(rows), flush=True)


if __name__ == "__main__":
    main()
