"""Which mapped passes of the two strips are compared: near ones, so that ground enters little.

Passes are put in order across the direction of travel; neighbors of one strip are a band.

- ``crossings``: where the strips were crossed, each crossing holds both sides. Crossings beside each
  other are like each other, so a block is a square of ground: neighboring crossings over as long a way
  as the middles of the compared parts, within ``NEAR_BORDER_M`` of the other strip, lie apart. (Single
  crossings as blocks claimed a difference on 50 to 70 % of the places of a real field with slopes.)
- ``strips``: where both strips come several times over the field, each pair of neighboring bands is a
  block; what the ground adds then shows in the blocks.
- ``passes``: else the first pass from the border on one side and the first on the other are a block,
  and so on, as long as they are no farther apart than ``MOST_APART_M``. A pass between two borders
  belongs to the nearer one.

A band left over joins its neighbor's block, so that a single check pass with a treated one on each side
is one block.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.trial.methods.map_geometry import Bools, Floats
from transforms.trial.methods.map_passes import ASSUMED_WIDTH_M

Whole = NDArray[np.int64]

# Between the middles of two passes that are compared, and of two bands.
MOST_APART_M = 100.0
BANDS_APART_M = 120.0
NEAR_BORDER_M = 60.0
BAND_GAP = 3.0  # swaths: passes farther apart than this are two bands

SEASON = ["field", "season"]


def with_blocks(passes: pl.DataFrame) -> pl.DataFrame:
    """Set ``block`` (numbered across the field; null for none) and ``block_kind``.

    ``passes``: field, season, strip, ``block`` (as the outlines name it, which then stands),
    ``across_m``, ``border_m``, ``width_m``, ``crossed``, ``yield_kg_ha``; a pass without a yield
    takes no part.
    """
    return pl.concat(_of_season(one) for one in passes.partition_by(SEASON, maintain_order=True))


def _of_season(passes: pl.DataFrame) -> pl.DataFrame:
    if passes["block"].is_not_null().any():
        named = pl.col("block").is_not_null()
        return passes.with_columns(block_kind=pl.when(named).then(pl.lit("strips")))
    part = passes.select(
        takes=pl.col("yield_kg_ha").is_not_null() & pl.col("across_m").is_not_null()
    )["takes"].to_numpy()
    width = passes["width_m"].mean()
    swath = float(width) if isinstance(width, float) else ASSUMED_WIDTH_M
    block = np.zeros(len(passes), dtype=np.int64)
    across = passes["across_m"].to_numpy()[part]
    treated = (passes["strip"] == "treated").to_numpy()[part]
    if passes["crossed"].any():
        border = passes["border_m"].fill_null(0.0).to_numpy()[part]
        kind, block[part] = "crossings", crossing_blocks(across, treated, swath, border)
    else:
        kind, block[part] = blocks_of(across, treated, swath)
    numbered = pl.Series("block", block)
    return passes.with_columns(
        block=pl.when(numbered > 0).then(numbered.cast(pl.String)),
        block_kind=pl.when(numbered > 0).then(pl.lit(kind)),
    )


def crossing_blocks(across: Floats, treated: Bools, swath: float, border: Floats) -> Whole:
    """Return the number of each crossing's block, from 1; 0 for one that lacks the other side.

    ``border``: mean distance of each part from the other strip [m].
    """
    if treated.all() or not treated.any():
        return np.zeros(len(across), dtype=np.int64)
    apart = max(border[treated].mean() + border[~treated].mean(), swath)
    low, high = across.min() - swath / 2, across.max() + swath / 2
    blocks = max(int((high - low) / apart), 1)
    found = np.floor((across - low) / (high - low) * blocks).astype(np.int64) + 1
    return _numbered(found, treated)


def blocks_of(across: Floats, treated: Bools, swath: float) -> tuple[str, Whole]:
    """Return what blocks are and the number of each pass's block, from 1; 0 for none.

    ``across`` [m]: the place of each pass; ``swath`` [m]: the width of a cut.
    """
    if not len(across):
        return "passes", np.zeros(0, dtype=np.int64)
    order = np.argsort(across, kind="stable")
    a, t = across[order], treated[order]
    apart = np.diff(a)
    other = t[1:] != t[:-1]
    place = _steps(other | (apart > swath / 2))
    first = np.flatnonzero(np.diff(place, prepend=0))
    middle = np.bincount(place, a)[1:] / np.bincount(place)[1:]
    band = _steps(other | (apart > BAND_GAP * swath))[first]
    bands = [_Band(bool(t[first[band == b][0]]), middle[band == b]) for b in np.unique(band)]
    treated_bands = sum(b.treated for b in bands)
    if min(treated_bands, len(bands) - treated_bands) > 1:
        kind, numbers = "strips", _by_band(bands)
    else:
        kind, numbers = "passes", _by_pass(bands)
    block = np.zeros(len(a), dtype=np.int64)
    block[order] = _numbered(np.concatenate(numbers)[place - 1], t)
    return kind, block


def _numbered(found: Whole, treated: Bools) -> Whole:
    """Number from 1 the blocks that have both sides; 0 for the rest."""
    both = [b for b in np.unique(found) if b and len(set(treated[found == b])) == 2]
    number = {one: at for at, one in enumerate(both, start=1)}
    return np.array([number.get(one, 0) for one in found], dtype=np.int64)


@dataclass(frozen=True, slots=True)
class _Band:
    """Neighboring passes of one strip: the middle of each place [m], from low to high."""

    treated: bool
    places: Floats


def _steps(new: Bools) -> Whole:
    """Number the items of an ordered list from 1, growing where ``new`` (one shorter) is true."""
    return np.asarray(np.concatenate([[1], 1 + np.cumsum(new)]), dtype=np.int64)


def _by_band(bands: list[_Band]) -> list[Whole]:
    """Pair bands of the two strips, the nearest first."""
    middle = [float(b.places.mean()) for b in bands]
    near = sorted(
        (round(middle[j] - middle[i]), i, j)
        for i in range(len(bands))
        for j in range(i + 1, len(bands))
        if bands[i].treated != bands[j].treated and middle[j] - middle[i] <= BANDS_APART_M
    )
    of = [0] * len(bands)
    for _, i, j in near:
        if not of[i] and not of[j]:
            of[i] = of[j] = i + 1
    for _, i, j in near:  # a band left over
        of[i], of[j] = of[i] or of[j], of[j] or of[i]
    return [np.full(len(b.places), of[k], dtype=np.int64) for k, b in enumerate(bands)]


def _by_pass(bands: list[_Band]) -> list[Whole]:
    """Pair the i-th place from a border on one side with the i-th on the other."""
    found = [np.zeros(len(b.places), dtype=np.int64) for b in bands]
    ends = [(b.places[0], b.places[-1]) for b in bands]
    borders = [(left[1] + right[0]) / 2 for left, right in pairwise(ends)]
    for k, border in enumerate(borders):
        left, right = bands[k], bands[k + 1]
        if left.treated == right.treated:
            continue
        # in each band the places nearer to this border than to the one on its other side
        west = left.places > (border + borders[k - 1]) / 2 if k else left.places < np.inf
        last = k + 1 == len(borders)
        east = right.places < np.inf if last else right.places <= (border + borders[k + 1]) / 2
        i, j = np.flatnonzero(west)[::-1], np.flatnonzero(east)
        for rank, (p, q) in enumerate(zip(i, j, strict=False), start=1):
            if right.places[q] - left.places[p] <= MOST_APART_M:
                found[k][p] = found[k + 1][q] = 1000 * k + rank
    for k, (west_found, east_found) in enumerate(pairwise(found)):  # a band left over
        near = bands[k].treated != bands[k + 1].treated and (
            bands[k + 1].places[0] - bands[k].places[-1] <= MOST_APART_M
        )
        if near and not west_found.any():
            west_found[-1] = east_found[0]
        elif near and not east_found.any():
            east_found[0] = west_found[-1]
    return found
