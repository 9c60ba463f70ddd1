"""Read the published copy again and again as other programs do; ``test_publish`` runs it as a process.

Each round opens the copy anew and checks that what it sees belongs together. Arguments: the copy,
a file that ends the reading once it is there, the name of a reader. Prints the number of rounds.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import duckdb
import pandas as pd
import sqlalchemy as sa

TABLES = ("weather_reading", "weather_day")


def by_duckdb(path: str) -> list[int]:
    with duckdb.connect(path, read_only=True) as con:
        counts = ", ".join(f"(SELECT count(*) FROM {table})" for table in TABLES)
        return list(con.sql(f"SELECT {counts}").fetchall()[0])


def by_polars(path: str) -> list[int]:
    with duckdb.connect(path, read_only=True) as con:
        return [con.sql(f"FROM {table}").pl().height for table in TABLES]


def by_pandas(path: str) -> list[int]:
    with duckdb.connect(path, read_only=True) as con:
        frames: list[pd.DataFrame] = [con.sql(f"FROM {table}").df() for table in TABLES]
        return [len(frame) for frame in frames]


def by_sqlalchemy(path: str) -> list[int]:
    engine = sa.create_engine(
        sa.URL.create("duckdb", database=path), connect_args={"read_only": True}
    )
    with engine.connect() as con:
        counts = [sa.select(sa.func.count()).select_from(sa.table(name)) for name in TABLES]
        found = [int(con.scalar(count) or 0) for count in counts]
    engine.dispose()
    return found


READERS: dict[str, Callable[[str], list[int]]] = {
    "duckdb": by_duckdb,
    "polars": by_polars,
    "pandas": by_pandas,
    "SQLAlchemy": by_sqlalchemy,
}

if __name__ == "__main__":
    path, until, name = sys.argv[1:]
    rounds = 0
    while not Path(until).exists() or rounds == 0:
        readings, days = READERS[name](path)
        assert readings == 4 * days, (readings, days)
        rounds += 1
        time.sleep(0.01)
    print(rounds)
