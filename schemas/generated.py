"""What is made from a declaration: DDL, comments, polars schema, pandera check, dictionary text.

Nothing here knows a table by name; a change of a declaration changes all of these at once.
"""

from __future__ import annotations

from collections.abc import Collection
from functools import cache
from typing import TYPE_CHECKING

import polars as pl

from schemas.table import Column, Kind, Table

if TYPE_CHECKING:
    import pandera.polars as pa

POLARS: dict[Kind, pl.DataType] = {
    Kind.TEXT: pl.String(),
    Kind.NUMBER: pl.Float64(),
    Kind.COUNT: pl.Int64(),
    Kind.FLAG: pl.Boolean(),
    Kind.DAY: pl.Date(),
    Kind.TIME: pl.Datetime("us", "UTC"),
}

# How a unit stands at the end of a column's name. A catalogue test holds every name to this.
SUFFIX: dict[str, str] = {
    "mm": "_mm",
    "cm": "_cm",
    "m": "_m",
    "degC": "_c",
    "percent": "_pct",
    "percent/day": "_pct_d",
    "percent/delta_degC": "_pct_c",
    "delta_degC": "_c",
    "delta_degC/day": "_c_d",
    "m/s": "_m_s",
    "km/hour": "_km_h",
    "W/m^2": "_w_m2",
    "MJ/m^2": "_mj_m2",
    "kPa": "_kpa",
    "MPa": "_mpa",
    "kN": "_kn",
    "V": "_v",
    "dS/m": "_ds_m",
    "degree": "_deg",
    "s": "_s",
    "hour": "_h",
    "day": "_d",
    "hectare": "_ha",
    "kg": "_kg",
    "kg/ha": "_kg_ha",
    "kg/hectare": "_kg_ha",
    "kg/hL": "_kg_hl",
    "bushel/hectare": "_bu_ha",
    "kg/hectare/mm": "_kg_ha_mm",
    "L/hectare": "_l_ha",
    "delta_degC*day": "_c_d",
    "currency": "",
    "currency/hectare": "_per_ha",
    "currency/kg": "_per_kg",
    "currency/L": "_per_l",
    "currency/hour": "_per_h",
    "L": "_l",
    "kg/s": "_kg_s",
    "1": "",
}


def polars_schema(table: Table) -> pl.Schema:
    """Names and polars types of a table's columns."""
    return pl.Schema({column.name: POLARS[column.kind] for column in table.columns})


def empty(table: Table) -> pl.DataFrame:
    """A frame of the table's columns without rows."""
    return pl.DataFrame(schema=polars_schema(table))


def conform(frame: pl.DataFrame, table: Table) -> pl.DataFrame:
    """The frame with exactly the declared columns, order and types; absent columns become null.

    Raises ValueError where the frame has a column that the table does not declare.
    """
    extra = set(frame.columns) - set(table.names)
    if extra:
        raise ValueError(f"{table.name} does not declare {', '.join(sorted(extra))}")
    schema = polars_schema(table)
    return frame.select(
        (pl.col(name) if name in frame.columns else pl.lit(None)).cast(kind).alias(name)
        for name, kind in schema.items()
    )


def quoted(name: str) -> str:
    """A name as an SQL identifier."""
    return '"' + name.replace('"', '""') + '"'


def literal(text: str) -> str:
    """A text as an SQL string."""
    return "'" + text.replace("'", "''") + "'"


KEPT = "kept"  # the schema of what stands behind the views of kept tables


def store(table: Table) -> str:
    """Where a table's rows are written, as SQL: itself, or what stands behind its view."""
    return f"{KEPT}.{quoted(table.name)}" if table.kept else quoted(table.name)


def stored_types(table: Table) -> dict[str, str]:
    """Names and SQL types of the columns that ``store(table)`` can have."""
    return {c.name: c.kind.value + ("[]" if c.listed else "") for c in table.columns}


def ddl(table: Table) -> str:
    """CREATE TABLE of a declaration; of a kept table its required columns, and its view.

    No PRIMARY KEY: on readings it costs four times the store and three times the load (measured);
    the landing and the checks keep keys single.
    """
    types = stored_types(table)
    first = [c for c in table.columns if c.required or not table.kept]
    columns = ", ".join(
        f"{quoted(c.name)} {types[c.name]}{' NOT NULL' if c.required else ''}" for c in first
    )
    made = f"CREATE TABLE IF NOT EXISTS {store(table)} ({columns})"
    if not table.kept:
        return made
    return f"CREATE SCHEMA IF NOT EXISTS {KEPT}; {made}; {view(table, [c.name for c in first])}"


def view(table: Table, there: Collection[str]) -> str:
    """CREATE VIEW of a kept table of which the columns ``there`` stand in the store.

    A row an entry where there are lists; an entry that no key tells apart is none.
    """
    shown = ", ".join(f"{_shown(c, there)} AS {quoted(c.name)}" for c in table.columns)
    rows = f"SELECT {shown} FROM {store(table)}"
    if table.listed:
        rows = f"SELECT * FROM ({rows}) WHERE {quoted(table.listed[0])} IS NOT NULL"
    return f"CREATE OR REPLACE VIEW {quoted(table.name)} AS {rows}"


def _shown(column: Column, there: Collection[str]) -> str:
    if column.name not in there:
        return f"NULL::{column.kind.value}"
    return f"unnest({quoted(column.name)})" if column.listed else quoted(column.name)


def comments(table: Table) -> list[str]:
    """COMMENT ON statements: the row's meaning, and each column's meaning, unit and limits."""
    what = "VIEW" if table.kept else "TABLE"
    row = literal("One row is " + table.row)
    statements = [f"COMMENT ON {what} {quoted(table.name)} IS {row}"]
    if table.kept:
        lists = f", its {', '.join(table.listed)} as lists" if table.listed else ""
        behind = f"{table.name} as it is kept{lists}; columns that never had a value are left out"
        statements.append(f"COMMENT ON TABLE {store(table)} IS {literal(behind)}")
    statements += [
        f"COMMENT ON COLUMN {quoted(table.name)}.{quoted(c.name)} IS {literal(describe(c))}"
        for c in table.columns
    ]
    return statements


def describe(column: Column) -> str:
    """Meaning, unit and limits of a column in one line."""
    parts = [column.meaning]
    if column.unit:
        parts.append(f"[{column.unit}]")
    if column.low is not None or column.high is not None:
        low = "" if column.low is None else f"{column.low:g}"
        high = "" if column.high is None else f"{column.high:g}"
        parts.append(f"{low}..{high}")
    if column.one_of:
        parts.append("one of: " + ", ".join(column.one_of))
    return " ".join(parts)


@cache
def check(table: Table) -> pa.DataFrameSchema:
    """The pandera (polars) schema of a table: types, limits, allowed words, single keys.

    pandera is imported here because it costs two seconds and only writers need it.
    """
    import pandera.polars as pa  # noqa: PLC0415

    return pa.DataFrameSchema(
        {column.name: _column(column) for column in table.columns},
        unique=list(table.key) or None,
        strict=True,
        ordered=True,
        name=table.name,
    )


@cache
def door(table: Table, names: tuple[str, ...]) -> pa.DataFrameSchema:
    """The pandera schema of some columns of a table alone: types and limits of what comes in."""
    import pandera.polars as pa  # noqa: PLC0415

    return pa.DataFrameSchema({name: _column(table[name]) for name in names}, name=table.name)


def _column(column: Column) -> pa.Column:
    import pandera.polars as pa  # noqa: PLC0415

    checks = []
    if column.low is not None and column.high is not None:  # one check costs half of two
        checks.append(pa.Check.in_range(column.low, column.high))
    elif column.low is not None:
        checks.append(pa.Check.ge(column.low))
    elif column.high is not None:
        checks.append(pa.Check.le(column.high))
    if column.one_of:
        checks.append(pa.Check.isin(list(column.one_of)))
    return pa.Column(POLARS[column.kind], checks=checks, nullable=not column.required)
