"""Expectations made from a table's declaration; nothing here knows a table by name."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from schemas import generated
from schemas.table import Column, Table


@dataclass(frozen=True, slots=True)
class Expected:
    """One expectation of a column, as Great Expectations names it, and in plain words."""

    column: str
    words: str
    kind: str
    settings: dict[str, Any]
    said: str


def expectations(table: Table) -> list[Expected]:
    """What a declaration promises of rows: filled, within limits, allowed words."""
    return [one for column in table.columns for one in _of(table, column)]


def _of(table: Table, column: Column) -> list[Expected]:
    made_of: list[Expected] = []
    name = {"column": column.name}
    if column.required:
        made_of.append(
            Expected(
                column.name,
                "is filled",
                "ExpectColumnValuesToNotBeNull",
                name,
                f"Rows of {table.name} lack {column.name} ({column.meaning}); they cannot be placed or counted.",
            )
        )
    if column.low is not None or column.high is not None:
        low = "" if column.low is None else f"{column.low:g}"
        high = "" if column.high is None else f"{column.high:g}"
        within = f"at least {low}" if not high else f"at most {high}" if not low else f"within {low} to {high}"  # fmt: skip
        made_of.append(
            Expected(
                column.name,
                f"is {within}",
                "ExpectColumnValuesToBeBetween",
                {**name, "min_value": column.low, "max_value": column.high},
                f"{table.name} holds values of {column.name} that cannot be; every number made from them is wrong.",
            )
        )
    if column.one_of:
        made_of.append(
            Expected(
                column.name,
                "is one of its words",
                "ExpectColumnValuesToBeInSet",
                {**name, "value_set": list(column.one_of)},
                f"{table.name} holds words in {column.name} that nothing knows; rows of them are passed over.",
            )
        )
    return made_of


def types_sql(table: Table) -> str:
    """A query that counts columns that are absent, extra, or of another type than declared.

    Columns ``looked``, ``unmet`` and ``examples``, as every figure of ``across`` has.
    """
    wanted = ", ".join(
        f"({generated.literal(c.name)}, {generated.literal(_type(c))})" for c in table.columns
    )
    return f"""
        WITH wanted(name, type) AS (VALUES {wanted}),
        there AS (
            SELECT column_name AS name, data_type AS type FROM duckdb_columns()
            WHERE table_name = {generated.literal(table.name)} AND schema_name = 'main')
        SELECT count(*) AS looked,
            count(*) FILTER (w.type IS DISTINCT FROM t.type) AS unmet,
            string_agg(coalesce(w.name, t.name), ', ') FILTER (w.type IS DISTINCT FROM t.type) AS examples
        FROM wanted w FULL JOIN there t USING (name)"""


def _type(column: Column) -> str:
    return {"TIMESTAMPTZ": "TIMESTAMP WITH TIME ZONE"}.get(column.kind.value, column.kind.value)


def unique_sql(table: Table, where: str) -> str:
    """A query that counts rows whose key stands more than once."""
    key = ", ".join(generated.quoted(name) for name in table.key)
    return f"""
        WITH keys AS (
            SELECT {key}, count(*) AS n FROM {generated.quoted(table.name)} {where} GROUP BY ALL)
        SELECT coalesce(sum(n), 0) AS looked, coalesce(sum(n) FILTER (n > 1), 0) AS unmet,
            array_to_string(min(concat_ws(' ', {key}), 5) FILTER (n > 1), '; ') AS examples
        FROM keys"""
