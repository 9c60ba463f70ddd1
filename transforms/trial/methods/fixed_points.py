"""Fixed low-discrepancy points: the same draws at every prediction, spread evenly.

Sobol' points (Sobol' 1967, USSR Computational Mathematics and Mathematical Physics 7, 86-112) with
the directions of Joe and Kuo 2008 (doi 10.1137/070709359; their list new-joe-kuo-6.21201), scrambled by
random matrices and a shift (Matousek 1998, doi 10.1006/jcom.1998.0489). The points are those of
scipy's statistics, which would take half a second to load every day; a test compares them.
"""

from functools import cache

import numpy as np
from numpy.typing import NDArray

POINTS_BITS, BITS, SEED = 12, 30, 20181106
# Of the dimensions after the first: coefficients of the primitive polynomial, first odd numbers.
_POLYNOMIALS = ((0, (1,)), (1, (1, 3)), (1, (1, 3, 1)), (2, (1, 1, 1)))
MOST_DIMENSIONS = 1 + len(_POLYNOMIALS)


@cache
def fixed_points(dimensions: int = 3) -> NDArray[np.float64]:
    """4096 fixed points between 0 and 1, a row each.

    Raises ValueError for more than ``MOST_DIMENSIONS``.
    """
    if dimensions > MOST_DIMENSIONS:
        raise ValueError(f"fixed points have at most {MOST_DIMENSIONS} dimensions")
    rng = np.random.default_rng(SEED).spawn(1)[0]
    place = np.arange(BITS)
    shift = (rng.integers(2, size=(dimensions, BITS), dtype=np.uint32) << place).sum(axis=1)
    mixing = np.tril(rng.integers(2, size=(dimensions, BITS, BITS), dtype=np.uint32))
    mixing[:, place, place] = 1
    bits = _directions(dimensions)[:, :POINTS_BITS, None] >> place[::-1] & 1
    mixed = np.einsum("dpi,dji->djp", mixing, bits) & 1
    directions = (mixed << place[::-1]).sum(axis=2)
    number = np.arange(2**POINTS_BITS)
    steps = (number ^ number >> 1)[:, None] >> np.arange(POINTS_BITS) & 1
    chosen = np.where(steps[:, None, :] == 1, directions, 0)
    return np.asarray((np.bitwise_xor.reduce(chosen, axis=2) ^ shift) / 2**BITS)


def _directions(dimensions: int) -> NDArray[np.int64]:
    """Direction numbers by dimension and bit, as whole numbers of ``BITS`` bits."""
    rows = [[1] * BITS]
    for coefficients, first in _POLYNOMIALS[: dimensions - 1]:
        row, degree = list(first), len(first)
        for _ in range(BITS - degree):
            new = row[-degree] ^ row[-degree] << degree
            for step in range(1, degree):
                if coefficients >> (degree - 1 - step) & 1:
                    new ^= row[-step] << step
            row.append(new)
        rows.append(row)
    return np.array(rows, dtype=np.int64) << np.arange(BITS - 1, -1, -1)
