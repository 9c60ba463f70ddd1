"""Find the days of instruments whose daily rows must be rebuilt.

The landing notes the days whose readings changed, with ``touch``. A change of the set-up is found
here: the set-up that the daily rows were made with is kept in the schema ``used``; if it differs
from today's, the days concerned are noted too.
"""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import timedelta

import duckdb
import polars as pl

from flows.store import facts, migrate, warehouse
from schemas import generated
from schemas.catalogue import TABLES
from schemas.table import Table
from transforms.methods import calendar_day

_KEY = ["instrument", "kind", "day"]


@dataclass(frozen=True, slots=True)
class Reduction:
    """A daily table, what it is made from, and how far its rows look to either side."""

    table: Table
    readings: Table
    setup: tuple[Table, ...]
    margin_d: int
    # How far its rain or volume looks for counter readings to either side; across a gap, for how many.
    counter_d: int = 0
    counter_readings: int = 0
    # The columns of the readings that are such counters, or reach back like them.
    counters: tuple[str, ...] = ()

    @property
    def kind(self) -> str:
        """Return ``station`` or ``probe``, which is also the name of the column."""
        return self.table.key[0]


def touch(con: duckdb.DuckDBPyConnection, days: pl.DataFrame) -> None:
    """Note days (instrument, kind, day) that wait to be reduced again; once is enough."""
    if days.is_empty():
        return
    names = ", ".join(_KEY)
    with warehouse.shown(con, days_to_touch=days.select(_KEY)):
        con.execute(f"""
            INSERT INTO touched_day ({names})
            SELECT DISTINCT {names} FROM days_to_touch ANTI JOIN touched_day USING ({names})
        """)


def by_setup(
    con: duckdb.DuckDBPyConnection, reductions: Iterable[Reduction], others: Collection[str] = ()
) -> None:
    """Note the days that a change of the set-up concerns, and keep the set-up as used.

    Of the tables named in ``others``, which another method made, all days.
    """
    con.execute("CREATE SCHEMA IF NOT EXISTS used")
    upgraded = facts.fact(con, "derive_all") is not None
    used: dict[str, Table] = {}
    for reduction in reductions:
        everything = upgraded or reduction.table.name in others
        concerned = _all_instruments(con, reduction) if everything else pl.DataFrame()
        for table in reduction.setup:
            used[table.name] = table
            if not everything and not (changed := _changed(con, table)).is_empty():
                concerned = pl.concat([concerned, _concerned(con, reduction, changed)])
        if not concerned.is_empty():
            touch(con, _days_within(con, reduction, concerned))
    for name, table in used.items():
        con.execute(f"CREATE OR REPLACE TABLE used.{generated.quoted(name)} AS {_rows(table)}")
    facts.set_fact(con, "derive_all", None)


def _changed(con: duckdb.DuckDBPyConnection, table: Table) -> pl.DataFrame:
    """Return the rows of a set-up table that are new or gone since the daily rows were made."""
    name = generated.quoted(table.name)
    known = con.execute(
        """
        SELECT list(column_name ORDER BY column_index) FROM duckdb_columns()
        WHERE schema_name = 'used' AND table_name = ? AND database_name = current_database()
        """,
        [table.name],
    ).fetchall()
    if known != [(list(table.names),)]:
        return warehouse.read(con, table)
    now, before = _rows(table), f"FROM used.{name}"
    return _frame(con, f"({now} EXCEPT {before}) UNION ALL ({before} EXCEPT {now})")


def _rows(table: Table) -> str:
    """Return SQL for the rows of a table, its declared columns only."""
    names = ", ".join(generated.quoted(name) for name in table.names)
    return f"SELECT {names} FROM {generated.quoted(table.name)}"


def _all_instruments(con: duckdb.DuckDBPyConnection, reduction: Reduction) -> pl.DataFrame:
    """Return all instruments that have readings or daily rows, for all time."""
    kind = generated.quoted(reduction.kind)
    return _frame(
        con,
        f"""
        SELECT DISTINCT {kind} AS instrument, NULL::DATE AS from_day, NULL::DATE AS to_day FROM (
            SELECT {kind} FROM {generated.quoted(reduction.readings.name)}
            UNION SELECT {kind} FROM {generated.quoted(reduction.table.name)}
        )
        """,
    )


def _concerned(
    con: duckdb.DuckDBPyConnection, reduction: Reduction, changed: pl.DataFrame
) -> pl.DataFrame:
    """Return instrument and span of days of changed set-up rows; null for no end."""
    if {"kind", "instrument"} <= set(changed.columns):  # of stations and probes alike
        changed = changed.filter(pl.col("kind") == reduction.kind)
        changed = changed.rename({"instrument": reduction.kind})
    if reduction.kind not in changed.columns:
        return _all_instruments(con, reduction)
    ends = ((pl.col(n) if n in changed.columns else pl.lit(None)) for n in ("from_day", "to_day"))
    return changed.select(
        pl.col(reduction.kind).alias("instrument"),
        *(end.cast(pl.Date).alias(n) for end, n in zip(ends, ("from_day", "to_day"), strict=True)),
    )


def _days_within(
    con: duckdb.DuckDBPyConnection, reduction: Reduction, spans: pl.DataFrame
) -> pl.DataFrame:
    """Return the days in the spans that have readings or a daily row (which may have to go)."""
    kind = generated.quoted(reduction.kind)
    with warehouse.shown(con, spans=spans):
        return _frame(
            con,
            f"""
            SELECT DISTINCT d.instrument, '{reduction.kind}' AS kind, d.day FROM (
                SELECT {kind} AS instrument, {day_in_sql()} AS day
                FROM {generated.quoted(reduction.readings.name)}
                UNION SELECT {kind}, day FROM {generated.quoted(reduction.table.name)}
            ) d JOIN spans ON d.instrument = spans.instrument
                AND coalesce(d.day >= spans.from_day, true)
                AND coalesce(d.day <= spans.to_day, true)
            """,
        )


def waiting(con: duckdb.DuckDBPyConnection, reduction: Reduction) -> pl.DataFrame:
    """Return instrument and day of all that has to be reduced, days within the margin included."""
    days = con.execute(
        "SELECT DISTINCT instrument, day FROM touched_day WHERE kind = ?", [reduction.kind]
    )
    frame = pl.DataFrame(days.fetchall(), {"instrument": pl.String, "day": pl.Date}, orient="row")
    if reduction.counter_readings:
        frame = pl.concat([frame, _counter_days_near(con, reduction, frame)])
    return widened(frame, reduction.margin_d)


def widened(days: pl.DataFrame, margin_d: int) -> pl.DataFrame:
    """Return days (instrument, day) and those up to ``margin_d`` beside them, once each, sorted."""
    offsets = pl.DataFrame({"by": range(-margin_d, margin_d + 1)}, schema={"by": pl.Int64})
    return (
        days.join(offsets, how="cross")
        .select("instrument", pl.col("day") + pl.duration(days=pl.col("by")))
        .unique()
        .sort("instrument", "day")
    )


def windows(days: pl.DataFrame, farm: pl.DataFrame) -> pl.DataFrame:
    """Return runs of consecutive days (sorted) as ``instrument``, ``after`` and ``until`` (UTC).

    The readings of a run are those with ``after < time <= until``.
    """
    new = (pl.col("instrument") != pl.col("instrument").shift(1)) | (
        pl.col("day") != pl.col("day").shift(1) + pl.duration(days=1)
    )
    return (
        days.with_columns(run=new.fill_null(True).cum_sum())
        .group_by("instrument", "run")
        .agg(first=pl.col("day").min(), last=pl.col("day").max())
        .sort("run")
        .select(
            "instrument",
            calendar_day.starts_at(pl.col("first"), farm).alias("after"),
            calendar_day.starts_at(pl.col("last") + pl.duration(days=1), farm).alias("until"),
        )
    )


def counted(
    con: duckdb.DuckDBPyConnection, reduction: Reduction, days: pl.DataFrame, farm: pl.DataFrame
) -> pl.DataFrame:
    """Return instrument, day and number of ``readings`` from the first to the last of the days."""
    spans = windows(days, farm)
    return _frame(
        con,
        f"""
        SELECT {generated.quoted(reduction.kind)} AS instrument, {day_in_sql()} AS day,
            count(*) AS readings
        FROM {generated.quoted(reduction.readings.name)}
        WHERE time > {_instant(spans["after"].min())}
            AND time <= {_instant(spans["until"].max())}
        GROUP BY ALL
        """,
    )


def by_readings(reductions: Iterable[Reduction]) -> list[list[Reduction]]:
    """Return reductions of the same readings together, which are then read once."""
    together: dict[str, list[Reduction]] = {}
    for one in reductions:
        together.setdefault(one.readings.name, []).append(one)
    return list(together.values())


def readings(
    con: duckdb.DuckDBPyConnection,
    reductions: Sequence[Reduction],
    days: pl.DataFrame,
    farm: pl.DataFrame,
) -> pl.DataFrame:
    """Return all readings that the rows of some days (sorted by instrument) look at in any reduction.

    Each sees what the others look at besides, which changes none of its rows.
    """
    table, kind = reductions[0].readings, generated.quoted(reductions[0].kind)
    names = ", ".join(f"r.{generated.quoted(name)}" for name in table.names)
    spans = windows(widened(days, max(one.margin_d for one in reductions)), farm)
    with warehouse.shown(con, spans=spans):
        inside = _frame(
            con,
            f"""
            SELECT {names} FROM {generated.quoted(table.name)} r SEMI JOIN spans
                ON r.{kind} = spans.instrument AND r.time > spans.after AND r.time <= spans.until
            WHERE r.time > {_instant(spans["after"].min())}
                AND r.time <= {_instant(spans["until"].max())}
            """,
        )
    found = [generated.conform(inside, table)]
    near = {(one.counters, one.counter_d, one.counter_readings): one for one in reductions}
    found += [_counters_near(con, one, spans) for one in near.values() if one.counter_readings]
    rows = pl.concat(found).unique(table.key) if len(found) > 1 else found[0]
    return rows.sort(table.key)


# How far to look for the nearest counter readings before looking through all years: a gap is
# seldom longer, and a day's work must not grow with the years.
_NEAR, _ALL_YEARS = timedelta(days=40), timedelta(days=200 * 365)


def _counter_days_near(
    con: duckdb.DuckDBPyConnection, reduction: Reduction, days: pl.DataFrame
) -> pl.DataFrame:
    """Return instrument and day of all whose rain may depend on a counter reading of ``days``."""
    farm = warehouse.read(con, TABLES["farm"])
    spans = windows(days.unique().sort("instrument", "day"), farm)
    return _counters_near(con, reduction, spans).select(
        pl.col(reduction.kind).alias("instrument"),
        calendar_day.day_of(pl.col("time"), farm).alias("day"),
    )


def _counters_near(
    con: duckdb.DuckDBPyConnection, reduction: Reduction, spans: pl.DataFrame
) -> pl.DataFrame:
    """Return counter readings in and beside each window, and the nearest on both sides of it."""
    if not _has_counters(con, reduction):
        return generated.empty(reduction.readings)
    beside = timedelta(days=reduction.counter_d)
    wide = spans.with_columns(pl.col("after") - beside, pl.col("until") + beside)
    most = reduction.counter_readings
    found = [_counters(con, reduction, wide, "list(r)")]
    for edge, nearest in (("after", "max_by"), ("until", "min_by")):
        rest = spans.select("instrument", edge=edge)
        for reach in (_NEAR, _ALL_YEARS):
            if rest.is_empty():
                break
            beyond = (pl.col("edge") - reach, pl.col("edge"))
            if edge == "until":
                beyond = (pl.col("edge"), pl.col("edge") + reach)
            sides = rest.select("instrument", "edge", after=beyond[0], until=beyond[1])
            found.append(_counters(con, reduction, sides, f"{nearest}(r, r.time, {most})"))
            enough = found[-1].group_by("instrument", "edge").len().filter(pl.col("len") >= most)
            rest = rest.join(enough, on=["instrument", "edge"], how="anti")
    names = reduction.readings.names
    readings = [generated.conform(f.select(names), reduction.readings) for f in found]
    return pl.concat(readings).unique(reduction.readings.key)


def _has_counters(con: duckdb.DuckDBPyConnection, reduction: Reduction) -> bool:
    """Return whether any reading ever had such a counter: the store has no column without values."""
    there = migrate.columns_of(con, generated.store(reduction.readings))
    return not set(reduction.counters).isdisjoint(there)


def _counters(
    con: duckdb.DuckDBPyConnection, reduction: Reduction, spans: pl.DataFrame, taken: str
) -> pl.DataFrame:
    """Return the windows, each with those of its counter readings that ``taken`` (SQL) lists."""
    with warehouse.shown(con, spans=spans):
        return _frame(
            con,
            f"""
            SELECT * EXCLUDE reading, reading.* FROM (SELECT * EXCLUDE readings, unnest(readings) AS reading FROM (
                SELECT s.*, {taken} AS readings
                FROM spans s JOIN {generated.quoted(reduction.readings.name)} r
                    ON s.instrument = r.{generated.quoted(reduction.kind)}
                    AND r.time > s.after AND r.time <= s.until
                WHERE ({_any_of(reduction.counters)})
                    AND r.time > {_instant(spans["after"].min())}
                    AND r.time <= {_instant(spans["until"].max())}
                GROUP BY ALL
            ))
            """,
        )


def _any_of(columns: Iterable[str]) -> str:
    return " OR ".join(f"r.{generated.quoted(name)} IS NOT NULL" for name in columns)


def _frame(con: duckdb.DuckDBPyConnection, sql: str) -> pl.DataFrame:
    frame: pl.DataFrame = con.sql(sql).pl()
    return frame


def day_in_sql(time: str = "time") -> str:
    """Return SQL for the farm's day (DATE) of a reading stamped ``time`` (end of its interval).

    It is ``calendar_day.day_of`` for queries, and reads the one row of the table ``farm``. A test
    holds the two together.
    """
    shift = "to_seconds((SELECT round(3600 * (standard_offset_h - day_starts_h)) FROM farm))"
    return f"CAST(({time} AT TIME ZONE 'UTC') + {shift} - INTERVAL 1 MICROSECOND AS DATE)"


def _instant(moment: object) -> str:
    """Return a moment as an SQL literal, so that storage blocks outside of it are skipped unread."""
    return f"TIMESTAMPTZ '{'infinity' if moment is None else moment}'"
