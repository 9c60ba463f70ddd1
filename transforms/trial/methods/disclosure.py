"""Which totals over farms may be shown, so that nothing can be subtracted that is of a few farms only.

A reader of totals can add and subtract them: of 'all crops' less 'wheat' remains what the others did. So
it is not enough that each total is over enough farms (primary suppression); others may have to go too
(complementary suppression: Willenborg and de Waal 2001, Elements of Statistical Disclosure Control).

The test: let the rows of a matrix be totals and its columns what each farm contributes, one for each set
of totals that it counts in. Whatever can be had by adding and subtracting is a combination of the rows.
If the farms can be dealt into ``LEAST`` groups such that each group by itself has the rank of the whole
matrix, a combination that is not zero is not zero in every one of the groups: so it is over ``LEAST``
farms at least. What readers know anyway (rows of named farms) has no columns.
"""

from collections.abc import Sequence

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.trial.methods.trial_pooling import Array

LEAST = 5  # farms
_ZERO = 1e-9


def shown(cells: pl.DataFrame, totals: Sequence[str]) -> list[str]:
    """Return the totals that may be shown together, in the order of preference given.

    ``cells``: one row for each farm and set of totals that something of it counts in: ``farm``, ``known``
    (true if readers see the farm's rows anyway), and a flag for each of ``totals``.
    """
    hidden = cells.filter(~pl.col("known")).sort("farm", *totals)
    matrix = hidden.select(totals).cast(pl.Float64).to_numpy().T
    begins = np.flatnonzero(np.diff(hidden["farm"].rank("dense").to_numpy())) + 1
    # Those who count in many ways first: they fill the groups soonest.
    farms = sorted(np.split(np.arange(hidden.height), begins), key=len, reverse=True)
    kept: list[int] = []
    for place, total in enumerate(totals):
        enough = cells.filter(pl.col(total))["farm"].n_unique() >= LEAST
        if enough and _dealt(matrix[[*kept, place]], farms):
            kept.append(place)
    return [totals[place] for place in kept]


def _dealt(matrix: Array, farms: Sequence[NDArray[np.intp]]) -> bool:
    """Return whether farms (the columns of each) can be dealt into groups that each have the matrix's rank.

    Each farm goes to the group that it adds most to. That may fail where another deal would not: then
    a total is left out without need, never the other way round.
    """
    whole = int(np.linalg.matrix_rank(np.unique(matrix, axis=1))) if matrix.size else 0
    groups = [np.zeros((matrix.shape[0], 0)) for _ in range(LEAST)]
    for columns in farms:
        short = [g for g, basis in enumerate(groups) if basis.shape[1] < whole]
        if not short:
            return True
        block = np.unique(matrix[:, columns], axis=1)
        gains = {g: _joined(groups[g], block) for g in short}
        best = max(
            short, key=lambda g: (gains[g].shape[1] - groups[g].shape[1], -groups[g].shape[1])
        )
        groups[best] = gains[best]
    return all(basis.shape[1] == whole for basis in groups)


def _joined(basis: Array, block: Array) -> Array:
    """Return an orthonormal basis of what both span."""
    return np.hstack([basis, _basis(block - basis @ (basis.T @ block))])


def _basis(block: Array) -> Array:
    """Return an orthonormal basis of the columns of a block."""
    left, size, _ = np.linalg.svd(block, full_matrices=False)
    return np.asarray(left[:, size > _ZERO], dtype=np.float64)
