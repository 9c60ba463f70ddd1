"""Find the row that is asked about by its key."""

from __future__ import annotations

from typing import Any

import duckdb

from flows.base.errors import UserError
from flows.books.amended import rules
from schemas import generated
from schemas.table import Kind, Table

Row = dict[str, Any]
_MOST = 8


def find(con: duckdb.DuckDBPyConnection, table: Table, key: list[str]) -> Row:
    """Return the one row that the key names: values in the key's order, or ``column=value`` in any.

    A former name of the sheet renames is taken for today's.
    Raises UserError, with rows that would fit, if none or several do.
    """
    wanted = _wanted(table, key)
    renames = rules(con)
    for kind in wanted.keys() & {"field", "station", "probe"}:
        wanted[kind] = renames.today(kind, wanted[kind])
    where = " AND ".join(f"{as_text(table, name)} = ?" for name in wanted) or "true"
    rows = _rows(con, table, where, list(wanted.values()))
    if len(rows) == 1:
        return rows[0]
    order = " ".join(name.upper() for name in table.key)
    if not rows:
        raise UserError(
            f"{table.name} has no such row. Its key is: {order}.{_near(con, table, wanted)}"
        )
    fits = "; ".join(" ".join(_shown(row[name]) for name in table.key) for row in rows[:_MOST])
    raise UserError(f"More than one row of {table.name} fits. Its key is: {order}. Some: {fits}")


def _wanted(table: Table, key: list[str]) -> dict[str, str]:
    wanted: dict[str, str] = {}
    free = list(table.key)
    for value in key:
        name, equals, rest = value.partition("=")
        if equals and name in table.names:
            wanted[name] = _plain(table, name, rest)
            if name in free:
                free.remove(name)
        elif free:
            wanted[free[0]] = _plain(table, free[0], value)
            free.pop(0)
        else:
            raise UserError(
                f"That is more than names a row of {table.name}: its key is {' '.join(table.key)}."
            )
    return wanted


def _plain(table: Table, name: str, value: str) -> str:
    """Return a value as the database would write it."""
    if table[name].kind is Kind.NUMBER:
        try:
            return str(float(value))
        except ValueError:
            raise UserError(f"{name} of {table.name} is a number, not '{value}'.") from None
    return value


def as_text(table: Table, name: str) -> str:
    """Return SQL for a column's value as a person writes it in a key."""
    column = generated.quoted(name)
    if table[name].kind is Kind.TIME:
        return f"strftime({column}, '%Y-%m-%dT%H:%M:%SZ')"
    return f"CAST({column} AS VARCHAR)"


def _rows(con: duckdb.DuckDBPyConnection, table: Table, where: str, values: list[str]) -> list[Row]:
    names = ", ".join(map(generated.quoted, table.names))
    found = con.sql(
        f"SELECT {names} FROM {generated.quoted(table.name)} WHERE {where} LIMIT {_MOST + 1}",
        params=values,
    )
    return [dict(zip(table.names, row, strict=True)) for row in found.fetchall()]


def _near(con: duckdb.DuckDBPyConnection, table: Table, wanted: dict[str, str]) -> str:
    """Return the first key column whose value is nowhere in the table, and what is there instead."""
    for name, value in wanted.items():
        ((same, some),) = con.sql(
            f"""
            SELECT count(*) FILTER (v = ?), min(v, {_MOST})
            FROM (SELECT DISTINCT {as_text(table, name)} AS v FROM {generated.quoted(table.name)})
            """,
            params=[value],
        ).fetchall()
        if not same:
            return f" There is no {name} '{value}'; there is: {', '.join(some or ['nothing'])}."
    return ""


def _shown(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)
