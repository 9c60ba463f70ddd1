"""Make what follows from the readings: daily rows of the waiting days, then all tables made from them.

A table whose method and source rows are those of the last time is left as it is (``made_from``).
What breaks its declaration is left out, and a table that cannot be made keeps its last good rows
(see ``problems``); all else is made. What a table is made from is read from the parameters of its
``derive``; nothing is listed twice.
"""

import inspect
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial
from importlib import import_module
from types import ModuleType

import duckdb
import polars as pl

from flows.base.errors import UserError
from flows.base.plain_text import counted
from flows.base.progress import Tick, silent
from flows.derive import waiting_days
from flows.derive.made_from import MadeFrom
from flows.derive.parts import Parts
from flows.derive.problems import FAILURES, Problems
from flows.derive.waiting_days import Reduction
from flows.store import derive_problems, warehouse
from schemas import compared, generated
from schemas.catalogue import ROOMS, TABLES
from schemas.compared import COMPARISON
from schemas.table import Table, Tier
from transforms import order
from transforms.methods import comparisons, not_used

# Readings held in memory at a time; with what is made of them some 300 MB.
CHUNK_ROWS = 150_000
# Rows of their own place that parts of a table are made from at a time.
PART_ROWS = 300_000

# What the field book takes out of every daily table.
_NOT_USED = TABLES["do_not_use"]

# Stored to nine decimals, and no more than twelve digits.
_DECIMALS, _DIGITS = 9, 12
# Not a half: the mean of two stored numbers lies at a half often, and never at this.
_UP = (5**0.5 - 1) / 2


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
        reductions = [reduction(name) for name in order.DAILY]
        others = {name for name in order.DAILY if made_from.method_changed(name)}
        waiting_days.by_setup(con, reductions, others)
        ((done.days,),) = con.sql("SELECT count(*) FROM touched_day").fetchall()
        problems = Problems(con)
        for one in reductions:
            _reduce(con, one, problems, tick)
        unfinished = {one.kind for one in reductions if problems.unplaced(one.table)}
        con.execute(
            "DELETE FROM touched_day WHERE kind NOT IN (SELECT unnest(?::VARCHAR[]))",
            [sorted(unfinished)],
        )
        done.tables = _derive_changed(con, made_from, problems, tick)
        problems.write(con)
        done.problems = derive_problems.sentences(con)
    return done


def module(name: str) -> ModuleType:
    """Return the module of ``transforms/`` that makes a table."""
    return import_module(f"transforms.{ROOMS[name]}.{name}")


def function(name: str) -> Callable[..., pl.DataFrame]:
    """Return the ``derive`` of a table's module in ``transforms/``."""
    made_by: Callable[..., pl.DataFrame] = module(name).derive
    return made_by


def sources(name: str) -> tuple[Table, ...]:
    """Return the tables that a table is made from: the parameters of its ``derive``."""
    return tuple(TABLES[parameter] for parameter in inspect.signature(function(name)).parameters)


def reduction(name: str) -> Reduction:
    """Return how a daily table is reduced from readings."""
    made_from = sources(name)
    (readings,) = (table for table in made_from if table.tier is Tier.READING)
    return Reduction(
        TABLES[name],
        readings,
        (*(table for table in made_from if table is not readings), _NOT_USED),
        getattr(module(name), "MARGIN_DAYS", 0),
        getattr(module(name), "COUNTER_DAYS", 0),
        getattr(module(name), "COUNTER_READINGS", 0),
        getattr(module(name), "COUNTERS", ("rain_counter_mm", "rain_over_d")),
    )


def _reduce(con: duckdb.DuckDBPyConnection, one: Reduction, problems: Problems, tick: Tick) -> None:
    """Make the daily rows of the touched days again; those that cannot be made stay as they are."""
    days = waiting_days.waiting(con, one)
    if days.is_empty():
        return
    farm = warehouse.read(con, TABLES["farm"])
    setup = {table.name: warehouse.read(con, table) for table in one.setup}
    left_out = setup.pop(_NOT_USED.name)
    finished = 0
    for chunk in _chunks(con, one, days, farm):
        spans = waiting_days.windows(waiting_days.widened(chunk, one.margin_d), farm)
        readings = not_used.readings_used(waiting_days.readings(con, one, spans), left_out, farm)
        rows = _made(one.table, {one.readings.name: readings, **setup}, problems, days=chunk)
        if rows is not None:
            rows = not_used.days_marked(rows, left_out)
            with warehouse.shown(con, days_made=chunk):
                con.execute(f"""
                    DELETE FROM {generated.quoted(one.table.name)} t USING days_made d
                    WHERE t.{generated.quoted(one.kind)} = d.instrument AND t.day = d.day
                """)
            warehouse.insert(con, one.table, rows)
        finished += chunk.height
        tick(f"reducing to {one.table.name}", finished, days.height)
    warehouse.changed(con)


def _chunks(
    con: duckdb.DuckDBPyConnection, one: Reduction, days: pl.DataFrame, farm: pl.DataFrame
) -> Iterator[pl.DataFrame]:
    """Yield the days in parts whose readings fit in memory together."""
    counted = days.join(
        waiting_days.counted(con, one, days, farm), on=["instrument", "day"], how="left"
    )
    part = counted["readings"].fill_null(0).cum_sum() // CHUNK_ROWS
    yield from days.with_columns(part=part).partition_by("part", include_key=False)


def _derive_changed(
    con: duckdb.DuckDBPyConnection, made_from: MadeFrom, problems: Problems, tick: Tick
) -> list[str]:
    """Make every derived table that may differ and can be made; returns those whose rows changed."""
    wanted = {name: made_from.sources(name) for name in order.DERIVED}
    frames: dict[str, pl.DataFrame] = {}
    changed = []
    for place, (name, given) in enumerate(wanted.items()):
        tick(f"making {name}", place, len(wanted))
        if missing := [source for source in given if source in problems.not_made]:
            problems.blocked(TABLES[name], derive_problems.MADE_FROM + ", ".join(missing))
            continue
        if made_from.stands(name):
            continue
        before, parts = problems.count, made_from.parts(name)
        if parts is None:
            written = _make_whole(con, TABLES[name], given, frames, problems)
        else:
            written = _make_parts(con, TABLES[name], made_from, parts, problems)
        if name in problems.not_made:
            made_from.forget([name])
            continue
        if written:
            changed.append(name)
        made_from.written(name, whole=problems.count == before, parts=parts)
        later = {source for n in order.DERIVED[place + 1 :] for source in wanted[n]}
        frames = {kept: frame for kept, frame in frames.items() if kept in later}
    tick("making tables", len(wanted), len(wanted))
    return changed


def _make_whole(
    con: duckdb.DuckDBPyConnection,
    table: Table,
    sources: tuple[str, ...],
    frames: dict[str, pl.DataFrame],
    problems: Problems,
) -> bool:
    """Make all rows of a table; return whether any changed. ``frames``: tables that were read."""
    for source in sources:
        if source not in frames:
            frames[source] = warehouse.read(con, TABLES[source])
    stored = warehouse.read(con, table)
    rows = _made(table, {s: frames[s] for s in sources}, problems, stored=stored)
    if rows is None:
        return False
    frames[table.name] = rows  # what was written need not be read
    return warehouse.update(con, table, stored, rows)


def _make_parts(
    con: duckdb.DuckDBPyConnection,
    table: Table,
    made_from: MadeFrom,
    parts: Parts,
    problems: Problems,
) -> bool:
    """Make the parts of a table that may differ, some at a time; return whether any rows changed.

    Rows of no part go: their place or season is no more.
    """
    changed = made_from.changed(table.name, parts)
    gone = parts.stored(con, table, parts.made_from, theirs=False)
    written = warehouse.update(con, table, gone, gone.clear())
    for batch in parts.batches(changed, PART_ROWS):
        given = {s: parts.given(con, s, batch) for s in made_from.sources(table.name)}
        stored = parts.stored(con, table, batch)
        rows = _made(
            table, given, problems, stored=stored, of=partial(parts.of, table, parts=batch)
        )
        if rows is None:
            return False
        written |= warehouse.update(con, table, stored, rows)
    return written


def _made(
    table: Table,
    given: dict[str, pl.DataFrame],
    problems: Problems,
    *,
    days: pl.DataFrame | None = None,
    stored: pl.DataFrame | None = None,
    of: Callable[[pl.DataFrame], pl.DataFrame] = lambda rows: rows,
) -> pl.DataFrame | None:
    """Return a table's rows as its module makes them: declared, checked, sorted and rounded.

    Of a daily table only those of ``days`` (instrument, day), of parts only what is ``of`` them.
    Rows equal to those ``stored`` were checked before. None if the table cannot be made.
    """
    try:
        rows = of(generated.conform(by_strips(table, given), table)).sort(table.key)
        rows = rows.with_columns(settled(pl.col(pl.Float64)))
        if days is not None:
            place = [table.key[0], "day"]
            here = rows.join(days, left_on=place, right_on=["instrument", "day"], how="semi")
            nowhere = rows.filter(pl.any_horizontal(pl.col(place).is_null()))
            rows = pl.concat([here, nowhere])
        if stored is not None and rows.equals(stored):
            return rows
        return problems.fitted(table, rows, days)
    except FAILURES as error:
        problems.failed(table, error)
        return None


def by_strips(table: Table, given: dict[str, pl.DataFrame]) -> pl.DataFrame:
    """Return a table's rows as its formula makes them of ``given``, its sources by name.

    A formula that compares strips, or goes by a table that does, is shown the comparisons of fields with
    more than two strips; ``comparison`` is then among the sources whether or not the formula names it.
    """
    made_by, own = function(table.name), [source.name for source in sources(table.name)]
    if not compared.sees_comparisons(table, [TABLES[name] for name in own]):
        return made_by(**{name: given[name] for name in own})
    made = []
    for place, part in enumerate(comparisons.parts(given[COMPARISON], table)):
        seen = {
            name: given[name]
            if name == COMPARISON
            else comparisons.seen(given[name], TABLES[name], part, only=place > 0)
            for name in own
        }
        rows = made_by(**seen)
        if place:
            rows = rows.filter(pl.col("field").is_in(part["field"].to_list()))
        made.append(comparisons.stored(rows, table, part))
    return pl.concat(made)


def settled(value: pl.Expr) -> pl.Expr:
    """Return a number rounded so that the order in which threads add up does not show.

    That order changes the sixteenth digit of a sum, and all that is left of a difference of nearly
    equal numbers. Rounded away, a table that says the same is the same, bit by bit.
    """
    digits = pl.lit(10.0).pow(_DIGITS - 1 - value.abs().log10().floor())
    per_step = digits.clip(1.0, 10.0**_DECIMALS)
    return (value * per_step + _UP).floor() / per_step
