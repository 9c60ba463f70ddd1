"""The data dictionary as text: for a terminal, and as ``schemas/DICTIONARY.md``.

``python -m flows.store.dictionary`` writes that file from the declarations.
"""

from pathlib import Path

from flows.base.errors import UserError
from flows.base.plain_text import text_table
from schemas import dictionary
from schemas.catalogue import EVERY, ROOMS, of
from schemas.did_you_mean import nearest
from schemas.table import Table

PATH = Path(dictionary.__file__).with_name("DICTIONARY.md")


def find(name: str) -> Table:
    """Return the table of that name; raise UserError, with the nearest name, if there is none."""
    if name in EVERY:
        return EVERY[name]
    hint = "".join(f" Did you mean {near}?" for near in nearest(name, EVERY))
    raise UserError(f"There is no table {name}.{hint} Without a name all tables are listed.")


def overview(rows: dict[str, int]) -> str:
    """Return all tables by tier, with the number of rows if ``rows`` has it."""
    by_tier = [table for tier in dictionary.TIERS for table in of(tier)]
    counts = [f"{rows[table.name]:,}" if table.name in rows else "" for table in by_tier]
    cells = [
        (f"  {table.name}", count, f"one row is {table.row}")
        for table, count in zip(by_tier, counts, strict=True)
    ]
    lines = iter(text_table(cells, right={1}))
    return "\n\n".join(
        "\n".join([heading, *(next(lines) for _ in of(tier))])
        for tier, heading in dictionary.TIERS.items()
    )


def detail(table: Table) -> str:
    """Return one table as text: its columns, units, values and meaning; the key is marked."""
    limits = {column.name: dictionary.limits(column) for column in table.columns}
    cells = [
        (
            f"{'*' if column.key else ' '} {column.name}",
            column.unit,
            f"{column.meaning} ({limits[column.name]})" if limits[column.name] else column.meaning,
        )
        for column in table.columns
    ]
    heading = f"{table.name}: one row is {table.row}."
    room = f"Room: {ROOMS[table.name]}"
    return "\n".join([heading, "", *text_table(cells), "", "* together these name the row", room])


def main() -> None:
    """Write the file."""
    PATH.write_text(dictionary.markdown(), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
