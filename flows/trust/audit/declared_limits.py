"""Make expectations from a table's declaration; nothing here knows a table by name."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from flows.trust.audit.outcome import CountCheck
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
    """Return what a declaration promises of rows: filled, within limits, allowed words."""
    return [one for column in table.columns for one in _of(table, column)]


def _of(table: Table, column: Column) -> list[Expected]:
    found: list[Expected] = []

    def expect(words: str, kind: str, said: str, **settings: Any) -> None:
        found.append(Expected(column.name, words, kind, {"column": column.name, **settings}, said))

    if column.required:
        expect(
            "is filled",
            "ExpectColumnValuesToNotBeNull",
            f"Rows of {table.name} lack {column.name} ({column.meaning}); "
            "they cannot be placed or counted.",
        )
    if column.low is not None or column.high is not None:
        expect(
            f"is {_within(column.low, column.high)}",
            "ExpectColumnValuesToBeBetween",
            f"{table.name} holds values of {column.name} that cannot be; "
            "every number made from them is wrong.",
            min_value=column.low,
            max_value=column.high,
        )
    if column.one_of:
        expect(
            "is one of its words",
            "ExpectColumnValuesToBeInSet",
            f"{table.name} holds words in {column.name} that nothing knows; "
            "rows of them are skipped.",
            value_set=list(column.one_of),
        )
    return found


def _within(low: float | None, high: float | None) -> str:
    if high is None:
        return f"at least {low:g}"
    return f"at most {high:g}" if low is None else f"within {low:g} to {high:g}"


def none_unmet(column: str) -> Expected:
    """Return the expectation that a column of counts holds nothing but 0."""
    settings = {"column": column, "min_value": 0, "max_value": 0}
    return Expected(column, "", "ExpectColumnValuesToBeBetween", settings, "")


def counts(table: Table, where: str) -> list[CountCheck]:
    """Return what a declaration promises of a whole table: its columns and types, each key once.

    ``where`` is the SQL condition that leaves the rows whose keys are counted, or empty.
    """
    types = CountCheck(
        table.name,
        "has the declared columns and types",
        f"{table.name} is not as declared; whoever asks it may get an error or a wrong answer.",
        _types_sql(table),
    )
    keys = CountCheck(
        table.name,
        "has each key once",
        f"{table.name} holds the same {', '.join(table.key)} twice; "
        "every sum with it counts double.",
        _unique_sql(table, where),
    )
    return [types, keys] if table.key else [types]


def _types_sql(table: Table) -> str:
    """Return a query that counts columns that are absent, extra, or of another type than declared."""
    types = {c.name: _type(c) for c in table.columns}
    types |= {old: types[new] for old, new in generated.former(table).items()}
    wanted = ", ".join(
        f"({generated.literal(name)}, {generated.literal(kind)})" for name, kind in types.items()
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


def _unique_sql(table: Table, where: str) -> str:
    """Return a query that counts rows whose key appears more than once."""
    key = ", ".join(generated.quoted(name) for name in table.key)
    return f"""
        WITH keys AS (
            SELECT {key}, count(*) AS n FROM {generated.quoted(table.name)} {where} GROUP BY ALL)
        SELECT coalesce(sum(n), 0) AS looked, coalesce(sum(n) FILTER (n > 1), 0) AS unmet,
            array_to_string(min(concat_ws(' ', {key}), 5) FILTER (n > 1), '; ') AS examples
        FROM keys"""
