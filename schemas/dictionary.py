"""The data dictionary as text, made from the declarations."""

from schemas.catalogue import ROOMS, of
from schemas.table import Column, Table, Tier

TIERS: dict[Tier, str] = {
    Tier.DERIVED: "Derived: computed from daily and set-up rows if one of them changed",
    Tier.DAILY: "Daily: reduced from readings",
    Tier.READING: "Readings as landed",
    Tier.SETUP: "Set-up: farm.toml and the field book",
    Tier.RECEIPT: "Receipts: what arrived, what was refused, what ran",
    Tier.NETWORK: "Network: of many farms, in its snapshot only (`checkstrip network sql`)",
}

_HEAD = """# Data dictionary

Every table of the warehouse with its columns, units and meaning. Made from the declarations in
`schemas/tables/` by `python -m flows.store.dictionary`; do not edit by hand. The same text is inside the
database (`duckdb_columns()`, column `comment`), and `checkstrip tables FOLDER TABLE` prints it.
The schema `customary` has a view of each table in inches, degrees Fahrenheit, bushels, gallons
and acres. Tables are sorted by name; the room of each is the folder that its declaration (below
`schemas/tables/`) and its formula (below `transforms/`) are in.
"""


def limits(column: Column) -> str:
    """Return what values a column may have, in a few words; empty if there is no limit."""
    if column.one_of:
        return ", ".join(column.one_of)
    if column.low is None and column.high is None:
        return ""
    if column.high is None:
        return f"from {column.low:,g}"
    if column.low is None:
        return f"to {column.high:,g}"
    return f"{column.low:,g} to {column.high:,g}"


def markdown() -> str:
    """Return the whole dictionary as Markdown."""
    parts = [_HEAD]
    for tier, heading in TIERS.items():
        parts.append(f"## {heading}\n")
        parts += [_table(table) for table in of(tier)]
    return "\n".join(parts)


def _table(table: Table) -> str:
    """Return the section of one table."""
    lines = [
        f"### {table.name}",
        "",
        f"One row is {table.row}. Room: {ROOMS[table.name]}.",
        "",
        "| column | kind | unit | values | meaning |",
        "| --- | --- | --- | --- | --- |",
    ]
    for column in table.columns:
        name = f"**{column.name}**" if column.key else column.name
        cells = (name, column.kind.name.lower(), column.unit, limits(column), column.meaning)
        lines.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    return "\n".join([*lines, ""])
