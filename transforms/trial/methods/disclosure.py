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

from transforms.trial.methods.trial_pooling import Array

LEAST = 5  # farms
_ZERO = 1e-9


def shown(cells: pl.DataFrame, totals: Sequence[str]) -> list[str]:
    """Return the totals that may be shown together, in the order of preference given.

    ``cells``: one row for each farm and set of totals that something of it counts in: ``farm``, ``known``
    (true if readers see the farm's rows anyway), and a flag for each of ``totals``.
    """
    kept: list[str] = []
    hidden = cells.filter(~pl.col("known"))
    farms = [group.select(totals) for _, group in hidden.group_by("farm", maintain_order=True)]
    for total in totals:
        if cells.filter(pl.col(total))["farm"].n_unique() < LEAST:
            continue
        if _dealt([group.select(*kept, total) for group in farms]):
            kept.append(total)
    return kept


def _dealt(farms: Sequence[pl.DataFrame]) -> bool:
    """Return whether farms can be dealt into groups of full rank each; each has totals as columns.

    Each farm goes to the group that it adds most to. That may fail where another deal would not: then
    a total is left out without need, never the other way round.
    """
    blocks = sorted(
        (_basis(group.cast(pl.Float64).to_numpy().T) for group in farms), key=lambda b: -b.shape[1]
    )
    whole = _rank(blocks)
    groups = [np.zeros((blocks[0].shape[0], 0)) for _ in range(LEAST)] if blocks else []
    for block in blocks:
        short = [g for g, basis in enumerate(groups) if basis.shape[1] < whole]
        if not short:
            return True
        gains = {g: _joined(groups[g], block) for g in short}
        best = max(
            short, key=lambda g: (gains[g].shape[1] - groups[g].shape[1], -groups[g].shape[1])
        )
        groups[best] = gains[best]
    return all(basis.shape[1] == whole for basis in groups)


def _rank(blocks: Sequence[Array]) -> int:
    basis = np.zeros((blocks[0].shape[0] if blocks else 0, 0))
    for block in blocks:
        if basis.shape[1] == basis.shape[0]:
            break
        basis = _joined(basis, block)
    return int(basis.shape[1])


def _joined(basis: Array, block: Array) -> Array:
    """Return an orthonormal basis of what both span."""
    return np.hstack([basis, _basis(block - basis @ (basis.T @ block))])


def _basis(block: Array) -> Array:
    """Return an orthonormal basis of the columns of a block."""
    left, size, _ = np.linalg.svd(block, full_matrices=False)
    return np.asarray(left[:, size > _ZERO], dtype=np.float64)
