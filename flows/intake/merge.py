"""Puts readings into their table: new ones are added, the same are no-ops, contradictions are kept.

A reading is known by its key (instrument, depth, time); each value of it lands on its own. Where
two deliveries disagree the later received stands (within a delivery the later line), and the
earlier value is kept in ``superseded_reading``.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import duckdb
import polars as pl

from flows.derive import waiting_days
from flows.intake import flagged
from flows.intake.contested import CONTRADICTED, resolve
from flows.intake.door.batch import TABLE_OF
from flows.intake.door.places import distinct_rows
from flows.store import warehouse, wide_rows
from schemas import generated
from schemas.catalogue import TABLES
from schemas.quantities import Instrument, columns_of
from schemas.table import Table
from transforms.methods.calendar_day import day_of


@dataclass(frozen=True, slots=True)
class Merged:
    """What became of the readings of each row.

    ``whole``: every row said something new; else ``rows``: ``seq``, ``line``, ``landed`` (whether
    the row did). ``values``: ``seq``, ``landed``, ``duplicate`` (numbers of values).
    ``contradicted``: ``seq``, how many ``values`` contradict another line of the same delivery, and
    at how many ``times``.
    """

    whole: bool
    rows: pl.DataFrame
    values: pl.DataFrame
    contradicted: pl.DataFrame


class KeyTwice(Exception):
    """A table of readings would have a key twice; the transaction that wrote it is void."""


def merge(
    con: duckdb.DuckDBPyConnection,
    kind: Instrument,
    new: pl.DataFrame,
    names: pl.DataFrame,
    farm: pl.DataFrame,
    *,
    withheld: bool = False,
) -> Merged:
    """Land readings of one kind of instrument, inside the caller's transaction.

    ``new``: as they came through the door (``Admitted.readings``); ``names``: ``seq`` and
    ``delivery``; ``withheld``: whether some values are not-a-number, because their network flagged
    them (see ``flagged``). Notes the days whose readings changed, and what was superseded.
    """
    table = TABLE_OF[kind]
    stored, onward = _stored(con, table, new), _onward(new, table)
    if withheld:
        stored = flagged.marked(con, table, stored)
    contested = None if onward and stored.is_empty() else _contested(new, stored, table)
    plain = new if contested is None else new.filter(~contested)
    landing = _named(plain.drop("line", "values"), names).drop("seq")
    if table.list_columns and not onward:  # a sensor a row: together what was measured together
        landing = wide_rows.bundled(wide_rows.single(landing, table), table)
    warehouse.insert_many(con, table, flagged.without(landing) if withheld else landing)
    changed = [plain.select(kind.value, "time")]
    values = [_all_landed(plain)]
    rows = [plain.select("seq", "line", landed=pl.lit(True))]
    contradicted = pl.DataFrame(schema=CONTRADICTED)
    if contested is not None:
        disputed = _named(new.filter(contested).drop("values"), names)
        resolved = resolve(_entries(disputed, kind), stored, table)
        readings, superseded = resolved.readings, resolved.superseded
        if withheld:
            stored, readings, superseded = map(flagged.without, (stored, readings, superseded))
            superseded = superseded.filter(pl.col("value").is_not_null())  # it stood apart before
        _rewrite(con, table, readings, stored)
        warehouse.insert(con, TABLES["superseded_reading"], superseded)
        changed.append(resolved.readings.select(kind.value, "time"))
        values.append(resolved.values)
        rows.append(resolved.rows)
        contradicted = resolved.contradicted
    times = pl.concat(changed)
    _check_keys(con, table, times)
    _touch(con, kind, times, farm)
    return Merged(contested is None, pl.concat(rows), pl.concat(values), contradicted)


def _named(rows: pl.DataFrame, names: pl.DataFrame) -> pl.DataFrame:
    """Return rows with the ``delivery`` that brought each."""
    return rows.join(names, on="seq", how="left", maintain_order="left")


def _entries(rows: pl.DataFrame, kind: Instrument) -> pl.DataFrame:
    """Return rows as single readings with all columns of the kind."""
    table = TABLE_OF[kind]
    single = wide_rows.single(rows, table) if table.list_columns else rows
    absent = [c.name for c in columns_of(kind) if c.name not in rows.columns]
    return single.with_columns(pl.lit(None, pl.Float64).alias(name) for name in absent)


def _onward(new: pl.DataFrame, table: Table) -> bool:
    """Return whether each instrument's rows go on in time, so that no key comes twice."""
    onward = (pl.col("time").diff() > timedelta()).over(table.key[0]).fill_null(True)
    return bool(new.select(onward.all()).item())


def _contested(new: pl.DataFrame, stored: pl.DataFrame, table: Table) -> pl.Series | None:
    """Return the rows with a key that another row or the store has too; None where there is none.

    With them all rows of the same instrument and time: what stands together is settled together.
    """
    keys = new.select(table.key)
    if table.list_columns:
        keys = wide_rows.single(keys, table)
    twice = keys.is_duplicated()
    if not stored.is_empty():
        known = stored.select(*table.key, known=pl.lit(True))
        found = keys.join(known, on=table.key, how="left", maintain_order="left")
        twice |= found["known"].fill_null(False)
    if not twice.any():
        return None
    at = [table.key[0], "time"]
    together = keys.filter(twice).select(at).unique().with_columns(contested=pl.lit(True))
    found = new.select(at).join(together, on=at, how="left", maintain_order="left")
    return found["contested"].fill_null(False)


def _stored(con: duckdb.DuckDBPyConnection, table: Table, new: pl.DataFrame) -> pl.DataFrame:
    """Return the stored readings of the instruments and times of the new ones."""
    place = generated.quoted(table.key[0])
    spans = new.group_by(table.key[0]).agg(first=pl.col("time").min(), last=pl.col("time").max())
    ends = [spans["first"].min(), spans["last"].max()]
    within = (
        f"SEMI JOIN new_spans s ON t.{place} = s.{place} AND t.time BETWEEN s.first AND s.last "
        "WHERE t.time BETWEEN ? AND ?"
    )
    with warehouse.shown(con, new_spans=spans):
        some = f"SELECT 1 FROM {generated.store(table)} t {within} LIMIT 1"
        if not con.execute(some, ends).fetchall():
            return generated.empty(table)
        with warehouse.shown(con, new_times=new.select(table.key[0], "time")):
            found: pl.DataFrame = con.sql(
                f"SELECT * FROM (SELECT t.* FROM {table.name} t {within}) "
                f"SEMI JOIN new_times USING ({place}, time)",
                params=ends,
            ).pl()
    return generated.conform(found, table)


def _all_landed(plain: pl.DataFrame) -> pl.DataFrame:
    return plain.group_by("seq").agg(landed=pl.col("values").sum(), duplicate=pl.lit(0, pl.Int64))


def _rewrite(
    con: duckdb.DuckDBPyConnection, table: Table, readings: pl.DataFrame, stored: pl.DataFrame
) -> None:
    """Replace the stored readings of the same keys, and add those that are not stored.

    What is stored of the same instrument and time beside them stays as it is.
    """
    if readings.is_empty():
        return
    at = [table.key[0], "time"]
    times = readings.select(at).unique()
    beside = stored.join(times, on=at, how="semi").join(readings, on=table.key, how="anti")
    place = generated.quoted(table.key[0])
    with warehouse.shown(con, new_times=times):
        con.execute(
            f"DELETE FROM {generated.store(table)} AS t USING new_times AS n "
            f"WHERE t.{place} = n.{place} AND t.time = n.time "
            "AND t.time BETWEEN (SELECT min(time) FROM new_times) AND (SELECT max(time) FROM new_times)"
        )
    warehouse.insert(con, table, pl.concat([readings, beside]))


def _check_keys(con: duckdb.DuckDBPyConnection, table: Table, times: pl.DataFrame) -> None:
    """Raise KeyTwice if a key of these instruments and times is stored twice: sums would count it twice.

    Where there are as many rows as times and no row has a depth twice, none is: the quick way.
    """
    if times.is_empty():
        return
    place, store = generated.quoted(table.key[0]), generated.store(table)
    spans = times.group_by(table.key[0]).agg(first=pl.col("time").min(), last=pl.col("time").max())
    within = (
        f"FROM {store} t SEMI JOIN new_spans s "
        f"ON t.{place} = s.{place} AND t.time BETWEEN s.first AND s.last WHERE t.time BETWEEN ? AND ?"
    )
    ends = [spans["first"].min(), spans["last"].max()]
    with warehouse.shown(con, new_times=times, new_spans=spans):
        ((stored,),) = con.execute(f"SELECT count(*) {within}", ends).fetchall()
        many, twice = stored > times.n_unique(), "count(*) > 1"
        if table.list_columns:
            depths = generated.quoted(table.list_columns[0])
            # a few lists come again and again; hashing them is six times as fast as DISTINCT
            lists = f"SELECT any_value({depths}) AS depths {within} GROUP BY hash({depths})"
            doubled = f"FROM ({lists}) WHERE list_unique(depths) < list_count(depths)"
            many = many or bool(con.execute(doubled, ends).fetchall())
            twice = f"list_unique(flatten(list({depths}))) < sum(list_count({depths}))"
        if not many:
            return
        found = con.execute(
            f"SELECT {place}, time FROM {store} SEMI JOIN new_times USING ({place}, time) "
            f"WHERE time BETWEEN ? AND ? GROUP BY ALL HAVING {twice} LIMIT 1",
            ends,
        ).fetchall()
    for name, time in found:
        raise KeyTwice(f"a reading of {name} at {time} would stand twice in {table.name}")


def _touch(
    con: duckdb.DuckDBPyConnection, kind: Instrument, times: pl.DataFrame, farm: pl.DataFrame
) -> None:
    days = times.select(
        pl.col(kind.value).alias("instrument"),
        pl.lit(kind.value).alias("kind"),
        day_of(pl.col("time"), farm).alias("day"),
    )
    waiting_days.touch(con, distinct_rows(days))
