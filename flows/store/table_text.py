"""The data dictionary for reading on a terminal."""

from __future__ import annotations

from difflib import get_close_matches

from flows.base.errors import UserError
from schemas import dictionary
from schemas.catalogue import TABLES, of
from schemas.table import Table


def find(name: str) -> Table:
    """The table of that name; UserError, with the nearest name, where there is none."""
    if name in TABLES:
        return TABLES[name]
    near = get_close_matches(name, TABLES, n=1, cutoff=0.5)
    hint = f" Did you mean {near[0]}?" if near else ""
    raise UserError(f"There is no table {name}.{hint} Without a name all tables are listed.")


def overview(rows: dict[str, int]) -> str:
    """All tables by tier, with the rows they have where that is known."""
    width = max(map(len, TABLES))
    lines = []
    for tier, heading in dictionary.TIERS.items():
        lines.append(heading)
        for table in of(tier):
            count = f"{rows[table.name]:>12,}" if table.name in rows else " " * 12
            lines.append(f"  {table.name:<{width}} {count}  one row is {table.row}")
        lines.append("")
    return "\n".join(lines).rstrip()


def detail(table: Table) -> str:
    """One table: its columns, units, values and meaning; the key is marked."""
    lines = [f"{table.name}: one row is {table.row}.", ""]
    names = max(len(column.name) for column in table.columns)
    units = max(len(column.unit) for column in table.columns)
    for column in table.columns:
        mark = "*" if column.key else " "
        allowed = dictionary.limits(column)
        told = f"{column.meaning} ({allowed})" if allowed else column.meaning
        lines.append(f"{mark} {column.name:<{names}}  {column.unit:<{units}}  {told}")
    return "\n".join([*lines, "", "* together these name the row"])
