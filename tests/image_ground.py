"""Invented ground seen from above, with known likeness of neighbors, and strips laid on it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from transforms.methods import alike_ground

SIDE = 256  # pixels of a piece of land, the far side of which meets its beginning
LAWS = {
    "exponential": lambda d: np.exp(-d),
    "gaussian": lambda d: np.exp(-(d**2)),
    "spherical": lambda d: np.where(d < 1, 1 - 1.5 * d + 0.5 * d**3, 0.0),
    "matern": lambda d: (1 + 3**0.5 * d) * np.exp(-(3**0.5) * d),
}


@dataclass(frozen=True, slots=True)
class Texture:
    """Land whose likeness falls by a law; ``own``: share of the variance of single pixels."""

    root: Any
    own: float

    def draw(self, rng: np.random.Generator) -> list[Any]:
        """Return two unrelated pieces of it (Davies and Harte 1987: circulant embedding; from memory)."""
        noise = rng.normal(size=(2, SIDE, SIDE))
        both = np.fft.ifft2(self.root * np.fft.fft2(noise[0] + 1j * noise[1]))
        plain = rng.normal(size=(2, SIDE, SIDE))
        parts = (both.real, both.imag)
        return [
            (1 - self.own) ** 0.5 * a + self.own**0.5 * b for a, b in zip(parts, plain, strict=True)
        ]


def texture(law: str, reach: float = 1.0, own: float = 0.0, streak: float = 1.0) -> Texture:
    """Return land by a law with a range in pixels, ``streak`` times as long along the rows' order.

    ``power``: a spectrum that falls with the wave number to the power ``reach``; ``unlike``: white noise.
    """
    steps = np.minimum(np.arange(SIDE), SIDE - np.arange(SIDE))
    if law == "unlike":
        return Texture(np.ones((SIDE, SIDE)), own)
    if law == "power":
        wave = np.hypot(*np.meshgrid(*[np.fft.fftfreq(SIDE)] * 2))
        wave[0, 0] = np.inf
        power = wave**-reach
        return Texture(np.sqrt(power / power.mean()), own)
    apart = np.hypot(steps[:, None] / streak, steps[None, :])
    power = np.fft.fft2(LAWS[law](apart / reach)).real
    return Texture(np.sqrt(np.clip(power, 0, None)), own)


def strips(  # noqa: PLR0917
    land: Any,
    long: int,
    wide: int,
    gap: int,
    top: int = 0,
    left: int = 0,
    *,
    other: Any = None,
    shorter: int = 0,
    turned: bool = False,
    pixel: tuple[float, float] = (1.0, 1.0),
) -> tuple[alike_ground.Cells, alike_ground.Cells]:
    """Return the cells of two strips of ``long`` by ``wide`` pixels, ``gap`` pixels between them.

    ``other``: land that the second lies on; it is ``shorter`` by so many rows, from a quarter of them on.
    """
    out = []
    for begin, on, less in ((0, land, 0), (wide + gap, land if other is None else other, shorter)):
        first = less // 4
        rows, columns = (
            a.ravel() for a in np.mgrid[first : first + long - less, begin : begin + wide]
        )
        values = on[rows + top, columns + left]
        if turned:
            rows, columns = columns, rows
        out.append(alike_ground.cells(rows, columns, values, np.ones(rows.size), pixel))
    return out[0], out[1]


def covered(
    of: Texture,
    pairs: int,
    long: int,
    wide: int,
    gap: int,
    *,
    seed: int,
    apart: bool = False,
    shorter: int = 0,
    added: Any = 0.0,
) -> tuple[float, float]:
    """Return the share of intervals that hold zero, and their width as a multiple of what is needed.

    ``apart``: the second strip lies on land of its own; ``added`` to all land (SIDE by SIDE).
    """
    rng = np.random.default_rng(seed)
    found, halves = [], []
    while len(found) < pairs:
        one, two = (land + added for land in of.draw(rng))
        for land, other in ((one, two), (two, one)):
            for left in (0, SIDE // 2):
                both = strips(
                    land,
                    long,
                    wide,
                    gap,
                    left=left,
                    other=other if apart else None,
                    shorter=shorter,
                )
                means = [np.average(c.means, weights=c.pixels) for c in both]
                found.append(means[0] - means[1])
                halves.append(alike_ground.half_width(*both))
    held = np.abs(found) <= halves
    return float(held.mean()), float(np.median(halves) / np.quantile(np.abs(found), 0.95))
