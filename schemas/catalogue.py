"""Every table of the warehouse, gathered from ``schemas/tables``."""

from __future__ import annotations

from importlib import import_module
from pkgutil import iter_modules

from schemas import tables
from schemas.table import Table, Tier


def _gather() -> dict[str, Table]:
    found: dict[str, Table] = {}
    for module in sorted(iter_modules(tables.__path__), key=lambda m: m.name):
        table: Table = import_module(f"schemas.tables.{module.name}").TABLE
        if table.name != module.name:
            raise ValueError(f"schemas/tables/{module.name}.py declares a table named {table.name}")
        found[table.name] = table
    return found


TABLES: dict[str, Table] = _gather()


def of(*tiers: Tier) -> tuple[Table, ...]:
    """The tables of the given tiers, by name."""
    return tuple(table for table in TABLES.values() if table.tier in tiers)
