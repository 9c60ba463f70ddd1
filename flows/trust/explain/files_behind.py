"""The deliveries behind a row, and what of them was left out and why."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import duckdb

from flows.store import warehouse
from flows.trust.explain.file_lines import FileLines
from flows.trust.explain.scope import Scope
from schemas.catalogue import TABLES
from schemas.table import Table
from transforms.methods import calendar_day

_MOST = 12
MOST_READ_AGAIN = 3  # deliveries of which the lines are told


def lines(
    con: duckdb.DuckDBPyConnection,
    scope: Scope,
    readings: list[Table],
    archive: FileLines | None = None,
) -> list[str]:
    """What was read for it, file by file; then refused rows and replaced readings.

    With the ``archive`` also the lines of the files in which the readings stand.
    """
    span = _span(con, scope)
    if not span:
        return ["It is not of certain days, so its readings cannot be singled out."]
    told: list[str] = []
    behind: set[str] = set()
    names: set[str] = set()
    for table in readings:
        found, instruments = _deliveries(con, scope, table, span)
        behind |= {row[0] for row in found}
        names |= set(instruments)
        at = {}
        if archive is not None and len(found) <= MOST_READ_AGAIN:
            at = {row[0]: archive.told(row[0], instruments, span) for row in found}
        told += _told(table, found, instruments, at)
    told += _refused(con, sorted(behind))
    told += _replaced(con, sorted(names), scope, span)
    return told


def _span(con: duckdb.DuckDBPyConnection, scope: Scope) -> list[datetime]:
    """Readings stamped later than the first instant and up to the second; none where of no days."""
    if scope.time is not None:
        return [scope.time - timedelta(microseconds=1), scope.time]
    if scope.first is None or scope.last is None:
        return []
    shift = calendar_day.shift(warehouse.read(con, TABLES["farm"]))
    begin, end = (
        datetime(day.year, day.month, day.day, tzinfo=UTC) - shift
        for day in (scope.first, scope.last)
    )
    return [begin, end + timedelta(days=1)]


def entered(con: duckdb.DuckDBPyConnection) -> list[str]:
    """The field book's files as last received."""
    rows = con.sql(
        """SELECT name, max_by(delivery, sequence), max(received_at) FROM delivery
        WHERE source = 'fieldbook' AND state = 'landed' GROUP BY name ORDER BY name"""
    ).fetchall()
    return [f"the field book: {name} ({delivery}), received {received:%Y-%m-%d %H:%M} UTC" for name, delivery, received in rows]  # fmt: skip


def _deliveries(
    con: duckdb.DuckDBPyConnection, scope: Scope, table: Table, span: list[datetime]
) -> tuple[list[tuple[Any, ...]], list[str]]:
    """Deliveries that brought the readings of the scope, and the instruments that stood there."""
    kind = table.key[0]
    instruments = _instruments(con, scope, kind)
    depth = scope.same.get("depth_cm") if "depth_cm" in table.names else None
    at_depth = "AND r.depth_cm = ?" if depth is not None else ""
    rows = con.sql(
        f"""SELECT r.delivery, d.name, d.received_at, d.layout, count(*), min(r.time), max(r.time)
        FROM {table.name} r LEFT JOIN delivery d USING (delivery)
        WHERE r.{kind} IN (SELECT unnest(CAST(? AS VARCHAR[]))) AND r.time > ? AND r.time <= ? {at_depth}
        GROUP BY ALL ORDER BY min(r.time), r.delivery""",
        params=[instruments, *span, *([depth] if depth is not None else [])],
    ).fetchall()
    return rows, instruments


def _instruments(con: duckdb.DuckDBPyConnection, scope: Scope, kind: str) -> list[str]:
    """The one named, or those that stood on the field (and strip) in those days."""
    if kind in scope.same:
        return [scope.same[kind]]
    if "field" not in scope.same or {"station", "probe"} & set(scope.same):
        return []
    strip = "AND strip = ?" if "strip" in scope.same else ""
    rows = con.sql(
        f"""SELECT DISTINCT {kind} FROM {kind}_spell WHERE field = ? {strip}
        AND from_day <= ? AND coalesce(to_day, DATE '9999-12-31') >= ? ORDER BY 1""",
        params=[scope.same["field"], *([scope.same["strip"]] if strip else []), scope.last, scope.first],
    ).fetchall()  # fmt: skip
    return [row[0] for row in rows]


def _told(
    table: Table, found: list[tuple[Any, ...]], instruments: list[str], at: dict[str, str]
) -> list[str]:
    if not instruments:
        return []
    total = sum(row[4] for row in found)
    told = [f"{table.name}: {total:,} readings of {', '.join(instruments)}, from {len(found)} deliveries"]  # fmt: skip
    told += [
        f"  {name or 'a delivery that is not there'} ({delivery}), received {received:%Y-%m-%d %H:%M} UTC, layout {layout}: {n:,} readings, {a:%Y-%m-%d %H:%M} to {b:%Y-%m-%d %H:%M} UTC{in_lines(at.get(delivery, ''))}"
        if received
        else f"  {delivery}: {n:,} readings; there is no such delivery"
        for delivery, name, received, layout, n, a, b in found[:_MOST]
    ]
    if len(found) > _MOST:
        told.append(f"  and {len(found) - _MOST} more")
    return told


def in_lines(said: str) -> str:
    """The lines as the end of a sentence."""
    return f", in {said} of the file" if said else ""


def _refused(con: duckdb.DuckDBPyConnection, behind: list[str]) -> list[str]:
    rows = con.sql(
        """SELECT name, extent, cause, column_name, count(*), min(line), max(line), any_value(found), any_value(expected)
        FROM quarantine WHERE delivery IN (SELECT unnest(CAST(? AS VARCHAR[])))
        GROUP BY ALL ORDER BY count(*) DESC, name, cause, column_name""",
        params=[behind],
    ).fetchall()
    if not rows:
        return ["Nothing of these files was refused."]
    told = ["Left out of these files (also on other days than asked about):"]
    for name, extent, cause, column, n, first, last, found, expected in rows[:_MOST]:
        where = f"line {first}" if first == last else f"lines {first} to {last}"
        at = f", column {column}" if column else ""
        told.append(f"  {name}, {where}{at}: {n} {extent}{'' if n == 1 else 's'} refused: {cause}; such as '{found}', expected {expected}")  # fmt: skip
    if len(rows) > _MOST:
        told.append(f"  and {len(rows) - _MOST} more causes")
    return told


def _replaced(
    con: duckdb.DuckDBPyConnection, names: list[str], scope: Scope, span: list[datetime]
) -> list[str]:
    depth = scope.same.get("depth_cm")
    at_depth = "AND depth_cm IN (?, -1)" if depth is not None else ""
    rows = con.sql(
        f"""SELECT instrument, quantity_column, e.name, l.name, count(*),
            arg_min(s.value, s.time), arg_min(s.later_value, s.time), min(s.time)
        FROM superseded_reading s LEFT JOIN delivery e USING (delivery)
        LEFT JOIN delivery l ON l.delivery = s.later_delivery
        WHERE instrument IN (SELECT unnest(CAST(? AS VARCHAR[]))) AND s.time > ? AND s.time <= ? {at_depth}
        GROUP BY ALL ORDER BY 1, 2, 3""",
        params=[names, *span, *([depth] if depth is not None else [])],
    ).fetchall()
    if not rows:
        return ["No reading of these days was replaced by a later delivery."]
    return ["Replaced by a later delivery, which stands:"] + [
        f"  {instrument} {column}: {n} values of {early}, by {late}; such as {old:g}, now {new:g} ({at:%Y-%m-%d %H:%M} UTC)"
        for instrument, column, early, late, n, old, new, at in rows[:_MOST]
    ]
