"""Upgrade a warehouse and be killed at a chosen moment; ``test_upgrade`` runs it as a process."""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path

import duckdb

from flows.farm.folder import FarmFolder
from flows.store import facts, migrate, warehouse
from schemas import generated
from schemas.table import Table

RENAME = "ALTER TABLE weather_reading RENAME COLUMN temp_c TO air_temp_c"


def killed_at(moment: str) -> None:
    """Arrange the kill: before the twenty-first table is made, or after the last change of all."""
    made: list[str] = []
    ddl, set_fact = generated.ddl, facts.set_fact

    def counted_ddl(table: Table) -> str:
        if moment == "tables" and len(made) == 20:
            os.kill(os.getpid(), signal.SIGKILL)
        made.append(table.name)
        return ddl(table)

    def last_fact(con: duckdb.DuckDBPyConnection, name: str, value: str | None) -> None:
        set_fact(con, name, value)
        if moment == "last" and name == "schema_version":
            os.kill(os.getpid(), signal.SIGKILL)

    generated.ddl, facts.set_fact = counted_ddl, last_fact


if __name__ == "__main__":
    migrate.SCHEMA_VERSION, migrate.STEPS = 2, {1: lambda con: con.execute(RENAME)}
    killed_at(sys.argv[2])
    with warehouse.open_writer(FarmFolder(Path(sys.argv[1]))):
        pass
