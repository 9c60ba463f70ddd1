"""Make what follows from the readings: daily rows of the waiting days, then all tables made from them.

A table whose method and source rows are those of the last time is left as it is (``made_from``).
What breaks its declaration is left out, and a table that cannot be made keeps its last good rows
(see ``problems``); all else is made. What a table is made from is read from the parameters of its
``derive``; nothing is listed twice.
"""

from dataclasses import dataclass, field
from functools import partial

import duckdb
import polars as pl

from flows.base.errors import UserError
from flows.base.plain_text import counted
from flows.base.progress import Tick, silent
from flows.derive import making, reduced, waiting_days
from flows.derive.frames import Frames
from flows.derive.made_from import MadeFrom
from flows.derive.parts import Parts
from flows.derive.problems import Problems
from flows.store import derive_problems, warehouse
from schemas import generated
from schemas.catalogue import TABLES
from schemas.table import Table
from transforms import order

# Rows of their own place that parts of a table are made from at a time.
PART_ROWS = 120_000
# Rows of the largest daily table up to which making all rows is sooner done than finding what changed.
FEW_ROWS = 20_000


@dataclass(slots=True)
class Derived:
    """What a derive did."""

    days: int = 0
    tables: list[str] = field(default_factory=list)
    # A sentence for each table that could not be made, and each column with values left out.
    problems: list[str] = field(default_factory=list)

    def __str__(self) -> str:
        """In a sentence."""
        if not self.days and not self.tables:
            return "Nothing new: all tables stand as they were."
        changed = f" {counted(len(self.tables), 'table')} changed." if self.tables else ""
        return f"{counted(self.days, 'instrument-day')} reduced.{changed}"


def derive(con: duckdb.DuckDBPyConnection, tick: Tick = silent) -> Derived:
    """Bring the daily and derived tables up to date, in one transaction.

    Raises UserError if the set-up was never read.
    """
    done = Derived()
    with warehouse.transaction(con):
        if con.sql("SELECT count(*) FROM farm").fetchall() != [(1,)]:
            raise UserError("The set-up was not read yet. Run: checkstrip collect FOLDER")
        made_from = MadeFrom(con)
        reductions = [reduced.reduction(name) for name in order.DAILY]
        others = {name for name in order.DAILY if made_from.method_changed(name)}
        waiting_days.by_setup(con, reductions, others)
        ((done.days,),) = con.sql("SELECT count(*) FROM touched_day").fetchall()
        problems = Problems(con)
        for read_once in waiting_days.by_readings(reductions):
            reduced.reduce(con, read_once, made_from, problems, tick)
        unfinished = {one.kind for one in reductions if problems.unplaced(one.table)}
        con.execute(
            "DELETE FROM touched_day WHERE kind NOT IN (SELECT unnest(?::VARCHAR[]))",
            [sorted(unfinished)],
        )
        done.tables = _derive_changed(con, made_from, problems, tick)
        made_from.keep()
        problems.write(con)
        done.problems = derive_problems.sentences(con)
    return done


def _derive_changed(
    con: duckdb.DuckDBPyConnection, made_from: MadeFrom, problems: Problems, tick: Tick
) -> list[str]:
    """Make every derived table that may differ and can be made; returns those whose rows changed."""
    wanted = {name: made_from.sources(name) for name in order.DERIVED}
    frames = Frames(con)
    changed = []
    few = max((made_from.rows(name) for name in order.DAILY), default=0) <= FEW_ROWS
    for place, (name, given) in enumerate(wanted.items()):
        tick(f"making {name}", place, len(wanted))
        if missing := [source for source in given if source in problems.not_made]:
            problems.blocked(TABLES[name], derive_problems.MADE_FROM + ", ".join(missing))
            continue
        if made_from.stands(name):
            continue
        before = problems.count
        parts = None if few else made_from.parts(name)
        if parts is None:
            written = _make_whole(con, TABLES[name], made_from, frames, problems)
        else:
            written = _make_parts(con, TABLES[name], made_from, frames, parts, problems)
        if name in problems.not_made:
            made_from.forget([name])
            continue
        if written:
            changed.append(name)
        made_from.made(name, whole=problems.count == before, parts=parts)
        later = {source for n in order.DERIVED[place + 1 :] for source in wanted[n]}
        frames.drop_but(later)
    tick("making tables", len(wanted), len(wanted))
    return changed


def _make_whole(
    con: duckdb.DuckDBPyConnection,
    table: Table,
    made_from: MadeFrom,
    frames: Frames,
    problems: Problems,
) -> bool:
    """Make all rows of a table; return whether any changed."""
    reads, sources = making.columns_read(table.name), made_from.sources(table.name)
    if made_from.lacks(table.name):
        given = {source: generated.empty(TABLES[source]) for source in sources}
    else:
        given = {source: frames.columns(source, reads.get(source)) for source in sources}
    stored = warehouse.read(con, table)
    rows = making.made(table, given, problems, stored=stored)
    if rows is None:
        return False
    frames.written(table.name, rows)
    return _write(con, table, made_from, stored, rows)


def _write(
    con: duckdb.DuckDBPyConnection,
    table: Table,
    made_from: MadeFrom,
    stored: pl.DataFrame,
    rows: pl.DataFrame,
) -> bool:
    """Write rows in place of those stored; return whether any differ."""
    differing = warehouse.update(con, table, stored, rows)
    if not differing.is_empty():
        made_from.rewritten(table.name, differing)
    return not differing.is_empty()


def _make_parts(  # noqa: PLR0917
    con: duckdb.DuckDBPyConnection,
    table: Table,
    made_from: MadeFrom,
    frames: Frames,
    parts: Parts,
    problems: Problems,
) -> bool:
    """Make the parts of a table that may differ, some at a time; return whether any rows changed.

    Rows of no part go: their place or season is no more.
    """
    sources = made_from.sources(table.name)
    changed = made_from.changed(table.name, parts)
    gone = made_from.strays(table.name, parts)
    written = _write(con, table, made_from, gone, gone.clear())
    for batch in parts.batches(changed, PART_ROWS):
        given = {s: frames.of(s, made_from.rows(s), parts, batch, changed) for s in sources}
        stored = parts.stored(con, table, batch)
        rows = making.made(
            table, given, problems, stored=stored, of=partial(parts.of, table, parts=batch)
        )
        if rows is None:
            return False
        written |= _write(con, table, made_from, stored, rows)
    return written
