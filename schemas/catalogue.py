"""Every table of the warehouse, gathered from ``schemas/tables``."""

from collections.abc import Iterator
from importlib import import_module
from pkgutil import walk_packages

from schemas import compared, tables
from schemas.table import Table, Tier


def _declared() -> Iterator[tuple[str, Table]]:
    """Yield the room and the declaration of every table."""
    for module in walk_packages(tables.__path__, f"{tables.__name__}."):
        if module.ispkg:
            continue
        *_, room, name = module.name.split(".")
        table: Table = import_module(module.name).TABLE
        if table.name != name:
            raise ValueError(f"schemas/tables/{room}/{name}.py declares a table named {table.name}")
        yield room, compared.stored(table)


def _gather() -> tuple[dict[str, Table], dict[str, str]]:
    """Return every table and its room, by table name.

    The order is that of the names, not of the rooms: the fingerprints kept in backups and in the
    warehouse follow it.
    """
    found = sorted(_declared(), key=lambda one: one[1].name)
    named = {table.name: table for _, table in found}
    if len(named) < len(found):
        raise ValueError("two rooms of schemas/tables declare a table of the same name")
    return named, {table.name: room for room, table in found}


# Every table, and the room that its declaration, its formula and its test are in.
EVERY, ROOMS = _gather()
# The tables of a farm's warehouse, and those of a network of farms, which no warehouse has.
TABLES = {name: table for name, table in EVERY.items() if table.tier is not Tier.NETWORK}
NETWORK = {name: table for name, table in EVERY.items() if table.tier is Tier.NETWORK}


def of(*tiers: Tier) -> tuple[Table, ...]:
    """Return the tables of the given tiers, sorted by name."""
    return tuple(table for table in EVERY.values() if table.tier in tiers)
