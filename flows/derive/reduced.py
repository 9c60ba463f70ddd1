"""Reduce readings to daily rows, for the days that wait: each reading is read once for all its tables."""

from collections.abc import Iterator

import duckdb
import polars as pl

from flows.base.progress import Tick
from flows.derive import making, waiting_days
from flows.derive.made_from import MadeFrom
from flows.derive.problems import Problems
from flows.derive.waiting_days import Reduction
from flows.store import warehouse
from schemas import generated
from schemas.catalogue import TABLES
from schemas.table import Tier
from transforms.methods import not_used

# Readings held in memory at a time; with what is made of them some 200 MB.
CHUNK_ROWS = 80_000

# What the field book takes out of every daily table.
_NOT_USED = TABLES["do_not_use"]


def reduction(name: str) -> Reduction:
    """Return how a daily table is reduced from readings."""
    made_from = making.sources(name)
    (readings,) = (table for table in made_from if table.tier is Tier.READING)
    return Reduction(
        TABLES[name],
        readings,
        (*(table for table in made_from if table is not readings), _NOT_USED),
        getattr(making.module(name), "MARGIN_DAYS", 0),
        getattr(making.module(name), "COUNTER_DAYS", 0),
        getattr(making.module(name), "COUNTER_READINGS", 0),
        getattr(making.module(name), "COUNTERS", ("rain_counter_mm", "rain_over_d")),
    )


def reduce(
    con: duckdb.DuckDBPyConnection,
    reductions: list[Reduction],
    made_from: MadeFrom,
    problems: Problems,
    tick: Tick,
) -> None:
    """Make the daily rows of the touched days again, of all tables that the same readings reduce to.

    Those that cannot be made stay as they are.
    """
    waiting = [(one, waiting_days.waiting(con, one)) for one in reductions]
    days = pl.concat(those for _, those in waiting).unique().sort("day", "instrument")
    if days.is_empty():
        return
    farm = warehouse.read(con, TABLES["farm"])
    names = {table.name for one in reductions for table in one.setup}
    setup = {name: warehouse.read(con, TABLES[name]) for name in names}
    left_out = setup.pop(_NOT_USED.name)
    finished = 0
    for chunk in _chunks(con, reductions, days, farm):
        readings = not_used.readings_used(
            waiting_days.readings(con, reductions, chunk, farm), left_out, farm
        )
        for one, those in waiting:
            mine = chunk.join(those, on=["instrument", "day"], how="semi")
            if _reduce_to(
                con, one, setup | {one.readings.name: readings}, mine, left_out, problems
            ):
                made_from.rewritten(one.table.name, mine)
        finished += chunk.height
        tick(f"reducing {reductions[0].kind} readings to days", finished, days.height)
    warehouse.changed(con)


def _reduce_to(  # noqa: PLR0917
    con: duckdb.DuckDBPyConnection,
    one: Reduction,
    given: dict[str, pl.DataFrame],
    days: pl.DataFrame,
    left_out: pl.DataFrame,
    problems: Problems,
) -> bool:
    """Write the rows of some days of a daily table in place of those stored; return whether it was done."""
    rows = None if days.is_empty() else making.made(one.table, given, problems, days=days)
    if rows is None:
        return False
    rows = not_used.days_marked(rows, left_out)
    first, last = (generated.literal(str(day)) for day in (days["day"].min(), days["day"].max()))
    with warehouse.shown(con, days_made=days):
        con.execute(f"""
            DELETE FROM {generated.quoted(one.table.name)} t USING days_made d
            WHERE t.{generated.quoted(one.kind)} = d.instrument AND t.day = d.day
                AND t.day BETWEEN {first} AND {last}
        """)
    warehouse.insert(con, one.table, rows)
    return True


def _chunks(
    con: duckdb.DuckDBPyConnection,
    reductions: list[Reduction],
    days: pl.DataFrame,
    farm: pl.DataFrame,
) -> Iterator[pl.DataFrame]:
    """Yield the days, those of all instruments together, in parts whose readings fit in memory."""
    found = waiting_days.counted(con, reductions[0], days, farm)
    counted = days.join(found, on=["instrument", "day"], how="left", maintain_order="left")
    part = counted["readings"].fill_null(0).cum_sum() // CHUNK_ROWS
    for chunk in days.with_columns(part=part).partition_by("part", include_key=False):
        yield chunk.sort("instrument", "day")
