"""How far the difference of two strips' means may be off by the ground under them, from one image.

Neighboring ground is alike, and strips side by side share most of it. So the error of the difference of two
means is that of a contrast of the whole pattern, not of two means apart: the sum of w(i) w(j) C(i, j) over all
pairs of cells, w positive in one strip and negative in the other (Cressie 1993, Statistics for Spatial Data,
chapter 3; from memory). How alike cells are, C, is learned from both strips at once with a mean of each taken off
(restricted likelihood: Patterson and Thompson 1971, doi 10.1093/biomet/58.3.545). One image of two strips does
not tell how far likeness reaches, so no single C is chosen: each of a grid counts by its likelihood, with a flat
prior on means and on the logarithm of the variance (Handcock and Stein 1993, doi 10.1080/00401706.1993.10485354;
from memory), and the interval is that of their mixture of Student's t.

The grid: likeness exp(-d), exp(-d^1.5) and (1 + d) exp(-d) of the distance by a range, from a pixel to
REACH times the strips' length, reaching along the strips by STREAKS as far as across (work leaves
streaks), with a share of the variance of its own in each pixel.
"""

from dataclasses import dataclass
from functools import lru_cache
from itertools import product

import numpy as np
import scipy
from numpy.typing import NDArray

Array = NDArray[np.float64]
SHAPES = (
    lambda d: np.exp(-d),
    lambda d: np.exp(-(d**1.5)),
    lambda d: (1 + d) * np.exp(-d),
)
RANGES, REACH = 6, 4.0
STREAKS = (1.0, 4.0)
OWN = np.array([0.0, 0.3, 0.6, 0.9])  # shares of the variance that pixels have of their own
MOST_CELLS, LEAST_CELLS = 40, 3  # of a strip
SIZES = sorted(  # rows and columns of a cell, the smallest first
    (s for s in product(range(1, 200), repeat=2) if max(s) <= 2 * min(s)),
    key=lambda s: (s[0] * s[1], abs(s[0] - s[1]), s),
)
REMEMBERED = 64  # pairs of strips; about 1 MB each
OUTSIDE = 0.05  # of the mixture, beyond the interval's ends
FAR = 0.5  # of a strip's length between two strips; from there on intervals held less in FIGURES.md
APART = (
    "the strips lie more than half of their length apart, so the ground may differ by more than the "
    "interval holds"
)
_SMALLEST = 1e-12  # variance that counts as none
_NO_SHARE = 1e-7  # of the likelihood
_HALVINGS = 25  # of the search for the interval's end


@dataclass(frozen=True, slots=True)
class Cells:
    """A strip's pixels in rectangles: where (down, across), how many pixels' worth, their means.

    ``quarter`` of a rectangle's sides in the unit of places, 0 for a side of one pixel.
    """

    places: Array
    pixels: Array
    means: Array
    quarter: tuple[float, float]


def cells(
    rows: NDArray[np.int64],
    columns: NDArray[np.int64],
    values: Array,
    weight: Array,
    pixel: tuple[float, float] = (1.0, 1.0),
) -> Cells:
    """Return pixels in at most MOST_CELLS rectangles as small as that allows, about square.

    ``values``: of each pixel, NaN where unknown; ``weight``: its share inside; ``pixel``: its height and width in
    any unit. Places are counted in sides of a square pixel of the same area. Rectangles without half of
    their pixels known are left out.
    """
    for size in SIZES:
        if size[0] * size[1] * MOST_CELLS < rows.size:
            continue
        of = (rows // size[0]) * (columns.max() // size[1] + 1) + columns // size[1]
        names, at = np.unique(of, return_inverse=True)
        if len(names) <= MOST_CELLS:
            break
    whole = np.bincount(at, weight).astype(float)
    places = np.stack([np.bincount(at, weight * one) / whole for one in (rows, columns)], 1)
    sides = np.array(pixel) / np.sqrt(np.prod(pixel))
    places *= sides
    known = np.where(np.isfinite(values), weight, 0.0)
    there = np.bincount(at, known)
    keep = 2 * there >= whole
    means = (np.bincount(at, known * np.nan_to_num(values))[keep] / there[keep]).astype(float)
    down, across = (of / 4 * side if of > 1 else 0.0 for of, side in zip(size, sides, strict=True))
    return Cells(places[keep], whole[keep], means, (down, across))


def apart(one: Cells, other: Cells) -> float:
    """Return how far two strips' middles lie apart, as a share of the longer one's length."""
    middles = [np.average(c.places, axis=0, weights=c.pixels) for c in (one, other)]
    longest = max(float(np.hypot(*np.ptp(c.places, axis=0))) for c in (one, other))
    return float(np.hypot(*(middles[0] - middles[1]))) / max(longest, 1e-9)


def half_width(one: Cells, other: Cells) -> float | None:
    """Return half of the 95% interval of the difference of two strips' means; None for too few cells.

    ``one`` and ``other`` are of one image: places in the same rows and columns.
    """
    if min(len(one.pixels), len(other.pixels)) < LEAST_CELLS:
        return None
    model = _model(
        *(
            part
            for c in (one, other)
            for part in (c.places.tobytes(), c.pixels.tobytes(), c.quarter)
        )
    )
    values = np.concatenate([one.means, other.means])
    seen = model.turned @ values
    if float((seen[0] ** 2).sum()) <= _SMALLEST:
        return 0.0
    df = seen.shape[1]
    kept = (1 - OWN)[:, None, None] * model.alike + OWN[:, None, None]
    squares = (seen**2 / kept).sum(axis=2)
    likelihood = -0.5 * np.log(kept).sum(axis=2) - df / 2 * np.log(squares)
    share = np.exp(likelihood - likelihood.max())
    contrast = (1 - OWN)[:, None] * model.contrast + OWN[:, None] * model.own
    se = np.sqrt(squares / df * contrast)
    return _mixed(se.ravel(), (share / share.sum()).ravel(), df)


def _mixed(se: Array, share: Array, df: int) -> float:
    """Return where a mixture of Student's t about zero leaves 5% outside."""
    counts = share > _NO_SHARE
    se, share = se[counts], share[counts]
    low, high = (-scipy.special.stdtrit(df, OUTSIDE / 2) * end for end in (se.min(), se.max()))
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        outside = float((share * 2 * scipy.special.stdtr(df, -middle / se)).sum())
        low, high = (middle, high) if outside > OUTSIDE else (low, middle)
    return float(high)


@dataclass(frozen=True, slots=True)
class _Model:
    """What follows from places alone, for each way to be alike (the first axis).

    ``turned``: leads from cells' means to unrelated numbers without the strips' means; ``alike``: the variance
    of each of these; ``contrast``: that of the difference of means, ``own`` by pixels' own variance alone.
    """

    turned: Array
    alike: Array
    contrast: Array
    own: float


@lru_cache(maxsize=REMEMBERED)
def _model(  # noqa: PLR0917
    places: bytes,
    pixels: bytes,
    quarter: tuple[float, float],
    places2: bytes,
    pixels2: bytes,
    quarter2: tuple[float, float],
) -> _Model:
    where = [np.frombuffer(p).reshape(-1, 2) for p in (places, places2)]
    many = [np.frombuffer(p) for p in (pixels, pixels2)]
    at, count = np.concatenate(where), np.concatenate(many)
    side = np.repeat([0, 1], [len(m) for m in many])
    weights = np.concatenate([many[0] / many[0].sum(), -many[1] / many[1].sum()])
    root = np.sqrt(count)
    means = np.stack([root * (side == s) for s in (0, 1)], axis=1)
    free = np.linalg.qr(means, mode="complete")[0][:, 2:]
    likeness = _likeness(at, np.array([quarter, quarter2])[side])
    alike, axes = np.linalg.eigh(free.T @ (root[:, None] * likeness * root) @ free)
    turned = np.swapaxes(axes, 1, 2) @ (free.T * root)
    contrast = np.einsum("i,gij,j->g", weights, likeness, weights)
    return _Model(turned, np.maximum(alike, 1e-9), contrast, float((weights**2 / count).sum()))


def _likeness(at: Array, quarter: Array) -> Array:
    """Return the correlation of the means of all pairs of cells, for each way to be alike.

    A cell is four points, a quarter of its sides from its middle.
    """
    corners = np.array(list(product((-1, 1), repeat=2)))
    points = (at[:, None, :] + corners * quarter[:, None, :]).reshape(-1, 2)
    _, _, axes = np.linalg.svd(at - at.mean(axis=0), full_matrices=False)
    along, across = ((points - at.mean(axis=0)) @ axes.T).T
    length = np.ptp(along)
    apart = [np.subtract.outer(a, a) for a in (along, across)]
    ranges = np.geomspace(1.0, REACH * max(length, 1.0), RANGES)
    made = []
    for streak in STREAKS:
        distance = np.hypot(apart[0] / streak, apart[1])
        for reach, shape in product(ranges, SHAPES):
            alike = shape(distance / reach)
            made.append(alike.reshape(len(at), 4, len(at), 4).mean(axis=(1, 3)))
    return np.stack(made)
