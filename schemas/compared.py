"""What a table has because a field may have more than two strips: which strip, and against which one.

A formula compares two strips of a field, treated and check. A table that is made so is declared as the
formula makes it, with ``compared``; what is stored has the strips' own names besides.
"""

from collections.abc import Iterable
from dataclasses import replace

from schemas.table import Column, Table, text

STRIP = text("strip", "the strip that is compared", key=True)
AGAINST = text("against", "the strip beside it that it is compared with", key=True)
COMPARISON = "comparison"  # the table that lists which strips are compared


def sees_comparisons(table: Table, sources: Iterable[Table]) -> bool:
    """Return whether a table's formula is shown comparisons: it compares, or goes by a table that does."""
    return any(one.compared is not None for one in (table, *sources))


def stored(table: Table) -> Table:
    """Return a table as the warehouse has it: a compared one with ``strip`` and ``against`` in its key."""
    if table.compared is None:
        return table
    after = max(place for place, column in enumerate(table.columns) if column.key)
    added: tuple[Column, ...] = (AGAINST,) if has_sides(table) else (STRIP, AGAINST)
    return replace(
        table, columns=(*table.columns[: after + 1], *added, *table.columns[after + 1 :])
    )


def as_made(table: Table) -> Table:
    """Return a stored table as its formula makes it: undoes ``stored``."""
    if table.compared is None:
        return table
    return replace(table, columns=tuple(c for c in table.columns if c not in {STRIP, AGAINST}))


def has_sides(table: Table) -> bool:
    """Return whether a formula makes a row for each of the two strips, not one for both."""
    return any(c.name == "strip" and c != STRIP for c in table.columns)
