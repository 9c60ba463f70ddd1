"""List the files behind a row, and what of them was left out and why."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import duckdb

from flows.base.plain_text import counted
from flows.store import warehouse
from flows.trust.explain.file_lines import FileLines
from flows.trust.explain.scope import Scope
from schemas.catalogue import TABLES
from schemas.table import Table
from transforms.methods import calendar_day

_MOST = 12
MOST_READ_AGAIN = 3  # deliveries whose lines are looked up


def lines(
    con: duckdb.DuckDBPyConnection,
    scope: Scope,
    readings: list[Table],
    archive: FileLines | None = None,
) -> list[str]:
    """Return what was read for a row, file by file; then refused rows and replaced readings.

    With the ``archive`` also the lines of the files that the readings are in.
    """
    span = _span(con, scope)
    if not span:
        return ["It is not of certain days, so its readings cannot be singled out."]
    out: list[str] = []
    behind: set[str] = set()
    names: set[str] = set()
    for table in readings:
        found, instruments = _deliveries(con, scope, table, span)
        behind |= {row[0] for row in found}
        names |= set(instruments)
        at = {}
        if archive is not None and len(found) <= MOST_READ_AGAIN:
            at = {row[0]: archive.place(row[0], instruments, span) for row in found}
        out += _read_lines(table, found, instruments, at)
    out += _refused_lines(con, sorted(behind))
    out += _replaced_lines(con, sorted(names), scope, span)
    out += _flagged_lines(con, sorted(names), scope, span)
    return out


def _span(con: duckdb.DuckDBPyConnection, scope: Scope) -> list[datetime]:
    """Return two instants, between which the row's readings are stamped (the second included).

    Nothing if the row is not about certain days.
    """
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
    """Return the field book's files as last received."""
    rows = con.sql("""
        SELECT name, max_by(delivery, sequence), max(received_at) FROM delivery
        WHERE source = 'fieldbook' AND state = 'landed' GROUP BY name ORDER BY name
    """).fetchall()
    return [
        f"the field book: {name} ({delivery}), received {received:%Y-%m-%d %H:%M} UTC"
        for name, delivery, received in rows
    ]


def things(con: duckdb.DuckDBPyConnection, scope: Scope) -> list[tuple[str, str]]:
    """Return the field, the strip and the instruments that a row is about, by kind and name."""
    found: list[tuple[str, str]] = []
    for kind in ("field", "strip"):
        found += [(kind, scope.same[kind])] if kind in scope.same else []
    for kind in ("station", "probe"):
        found += [(kind, name) for name in instruments_of(con, scope, kind)]
    return found


def not_used(con: duckdb.DuckDBPyConnection, scope: Scope) -> list[str]:
    """Return what the field book says must not be used of the instruments behind a row, and why."""
    if scope.first is None or scope.last is None:
        return []
    depth = scope.same.get("depth_cm")
    found = []
    for kind in ("station", "probe"):
        rows = con.sql(
            """
            SELECT instrument, what, from_day, to_day, why FROM do_not_use
            WHERE kind = ? AND instrument IN (SELECT unnest(CAST(? AS VARCHAR[])))
                AND from_day <= ? AND coalesce(to_day >= ?, true)
                AND coalesce(abs(depth_cm - CAST(? AS DOUBLE)) <= 1, true)
            ORDER BY from_day, instrument, what
            """,
            params=[kind, instruments_of(con, scope, kind), scope.last, scope.first, depth],
        ).fetchall()
        found += [
            f"  {kind} {name}, {what}: {first} to {last or 'now'}, because: {why}"
            for name, what, first, last, why in rows
        ]
    return found


def _deliveries(
    con: duckdb.DuckDBPyConnection, scope: Scope, table: Table, span: list[datetime]
) -> tuple[list[tuple[Any, ...]], list[str]]:
    """Return the deliveries that brought the readings of the scope, and the instruments there."""
    kind = table.key[0]
    instruments = instruments_of(con, scope, kind)
    depth = scope.same.get("depth_cm") if "depth_cm" in table.names else None
    rows = con.sql(
        f"""
        SELECT r.delivery, d.name, d.received_at, d.layout, count(*), min(r.time), max(r.time),
            d.reason
        FROM {table.name} r LEFT JOIN delivery d USING (delivery)
        WHERE r.{kind} IN (SELECT unnest(CAST(? AS VARCHAR[])))
            AND r.time > ? AND r.time <= ? {"" if depth is None else "AND r.depth_cm = ?"}
        GROUP BY ALL ORDER BY min(r.time), r.delivery
        """,
        params=[instruments, *span, *([] if depth is None else [depth])],
    ).fetchall()
    return rows, instruments


def instruments_of(con: duckdb.DuckDBPyConnection, scope: Scope, kind: str) -> list[str]:
    """Return the one named, or those that were on the field (and strip) in those days.

    Of a station also those whose values its row uses.
    """
    if kind == "station" and "station" in scope.same and scope.first is not None:
        return _behind_station(con, scope)
    if kind in scope.same:
        return [scope.same[kind]]
    if "field" not in scope.same or {"station", "probe"} & set(scope.same):
        return []
    strip = [scope.same["strip"]] if "strip" in scope.same else []
    rows = con.sql(
        f"""
        SELECT DISTINCT {kind} FROM {kind}_spell
        WHERE field = ? {"AND strip = ?" if strip else ""}
            AND from_day <= ? AND coalesce(to_day >= ?, true)
        ORDER BY 1
        """,
        params=[scope.same["field"], *strip, scope.last, scope.first],
    ).fetchall()
    return [row[0] for row in rows]


def _behind_station(con: duckdb.DuckDBPyConnection, scope: Scope) -> list[str]:
    """Return the station of a row, if it is one, and those that what it lacked was taken from."""
    columns = [c.name for c in TABLES["weather_used_day"].columns if c.name.endswith("_station")]
    rows = con.sql(
        f"""
        SELECT DISTINCT unnest([{", ".join([*columns, "rain_from"])}]) AS name
        FROM weather_used_day WHERE station = ? AND day BETWEEN ? AND ? ORDER BY name
        """,
        params=[scope.same["station"], scope.first, scope.last],
    ).fetchall()
    known = {name for (name,) in con.sql("SELECT DISTINCT station FROM station_spell").fetchall()}
    name = scope.same["station"]
    others = [other for (other,) in rows if other in known and other != name]
    return [name, *others] if name in known or not others else others


def _read_lines(
    table: Table, found: list[tuple[Any, ...]], instruments: list[str], at: dict[str, str]
) -> list[str]:
    """Return the readings of a table with the deliveries they came in; ``at`` has their lines."""
    if not instruments:
        return []
    total, names = sum(row[4] for row in found), ", ".join(instruments)
    out = [
        f"{table.name}: {counted(total, 'reading')} of {names}, from {counted(len(found), 'file')}"
    ]
    for delivery, name, received, layout, n, first, last, reason in found[:_MOST]:
        if not received:
            out.append(f"  {delivery}: {counted(n, 'reading')}; no such file is archived")
            continue
        place = f", in {at[delivery]} of the file" if at.get(delivery) else ""
        out.append(
            f"  {name or 'a file that is not archived'} ({delivery}), "
            f"received {received:%Y-%m-%d %H:%M} UTC, layout {layout}: {counted(n, 'reading')}, "
            f"{first:%Y-%m-%d %H:%M} to {last:%Y-%m-%d %H:%M} UTC{place}"
            + (f"; {reason}" if reason else "")
        )
    if len(found) > _MOST:
        out.append(f"  and {len(found) - _MOST} more")
    return out


def _refused_lines(con: duckdb.DuckDBPyConnection, behind: list[str]) -> list[str]:
    rows = con.sql(
        """
        SELECT name, replace(extent, 'delivery', 'file') AS extent, cause, column_name, count(*), min(line), max(line),
            any_value(found), any_value(expected)
        FROM quarantine WHERE delivery IN (SELECT unnest(CAST(? AS VARCHAR[])))
        GROUP BY ALL ORDER BY count(*) DESC, name, cause, column_name
        """,
        params=[behind],
    ).fetchall()
    if not rows:
        return ["Nothing in these files was rejected."]
    out = ["Left out of these files (also on other days than asked about):"]
    for name, extent, cause, column, n, first, last, found, expected in rows[:_MOST]:
        place = f"line {first}" if first == last else f"lines {first} to {last}"
        place += f", column {column}" if column else ""
        out.append(
            f"  {name}, {place}: {counted(n, extent)} rejected: {cause}; "
            f"such as '{found}', expected {expected}"
        )
    if len(rows) > _MOST:
        out.append(f"  and {len(rows) - _MOST} more causes")
    return out


def _replaced_lines(
    con: duckdb.DuckDBPyConnection, names: list[str], scope: Scope, span: list[datetime]
) -> list[str]:
    depth = scope.same.get("depth_cm")
    rows = con.sql(
        f"""
        SELECT instrument, quantity_column, e.name, l.name, count(*),
            arg_min(s.value, s.time),
            coalesce(printf('%g', arg_min(s.later_value, s.time)), 'flagged and left out'), min(s.time)
        FROM superseded_reading s LEFT JOIN delivery e USING (delivery)
            LEFT JOIN delivery l ON l.delivery = s.later_delivery
        WHERE instrument IN (SELECT unnest(CAST(? AS VARCHAR[])))
            AND s.time > ? AND s.time <= ? {"" if depth is None else "AND depth_cm IN (?, -1)"}
        GROUP BY ALL ORDER BY 1, 2, 3
        """,
        params=[names, *span, *([] if depth is None else [depth])],
    ).fetchall()
    if not rows:
        return ["No reading of these days was replaced by a later file."]
    return ["Replaced by a later file:"] + [
        f"  {instrument} {column}: {counted(n, 'value')} of {early}, by {late}; "
        f"such as {old:g}, now {new} ({at:%Y-%m-%d %H:%M} UTC)"
        for instrument, column, early, late, n, old, new, at in rows[:_MOST]
    ]


def _flagged_lines(
    con: duckdb.DuckDBPyConnection, names: list[str], scope: Scope, span: list[datetime]
) -> list[str]:
    """Return the values of these days that their network flagged, by column and flag."""
    depth = scope.same.get("depth_cm")
    rows = con.sql(
        f"""
        SELECT instrument, quantity_column, flag, meaning, count(*), arg_min(value, time), min(time)
        FROM flagged_reading
        WHERE instrument IN (SELECT unnest(CAST(? AS VARCHAR[])))
            AND time > ? AND time <= ? {"" if depth is None else "AND depth_cm IN (?, -1)"}
        GROUP BY ALL ORDER BY 1, 2, 3
        """,
        params=[names, *span, *([] if depth is None else [depth])],
    ).fetchall()
    if not rows:
        return []
    return ["Flagged by their network, kept in flagged_reading and left out of this number:"] + [
        f"  {instrument} {column}: {n} {'value' if n == 1 else 'values'} with the flag '{flag}' "
        f"({meaning}); first {value:g} ({at:%Y-%m-%d %H:%M} UTC)"
        for instrument, column, flag, meaning, n, value, at in rows[:_MOST]
    ]
