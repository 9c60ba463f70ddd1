"""What is made from a declaration: DDL, comments, polars schema and pandera check.

Nothing here knows a table by name; a change of a declaration changes all of these at once.
"""

from __future__ import annotations

from collections.abc import Collection
from functools import cache
from typing import TYPE_CHECKING

from schemas.former_names import FORMER
from schemas.table import Column, Kind, Table

if TYPE_CHECKING:
    import pandera.polars as pa
    import polars as pl


@cache
def polars_types() -> dict[Kind, pl.DataType]:
    """Return the polars type of each kind of column."""
    import polars as pl  # noqa: PLC0415 (start-up time: commands that only ask need no frames)

    return {
        Kind.TEXT: pl.String(),
        Kind.NUMBER: pl.Float64(),
        Kind.COUNT: pl.Int64(),
        Kind.FLAG: pl.Boolean(),
        Kind.DAY: pl.Date(),
        Kind.TIME: pl.Datetime("us", "UTC"),
    }


def polars_schema(table: Table) -> pl.Schema:
    """Return names and polars types of a table's columns."""
    import polars as pl  # noqa: PLC0415 (as in polars_types)

    return pl.Schema({column.name: polars_types()[column.kind] for column in table.columns})


def empty(table: Table) -> pl.DataFrame:
    """Return a frame of the table's columns without rows."""
    import polars as pl  # noqa: PLC0415 (as in polars_types)

    return pl.DataFrame(schema=polars_schema(table))


def conform(frame: pl.DataFrame, table: Table) -> pl.DataFrame:
    """Return the frame with exactly the declared columns, order and types; absent ones are null.

    Raises ValueError if the frame has a column that the table does not declare.
    """
    import polars as pl  # noqa: PLC0415 (as in polars_types)

    extra = set(frame.columns) - set(table.names)
    if extra:
        raise ValueError(f"{table.name} does not declare {', '.join(sorted(extra))}")
    schema = polars_schema(table)
    if frame.schema == schema:
        return frame
    return frame.select(
        (pl.col(name) if name in frame.columns else pl.lit(None)).cast(kind).alias(name)
        for name, kind in schema.items()
    )


def quoted(name: str) -> str:
    """Quote a name as an SQL identifier."""
    return '"' + name.replace('"', '""') + '"'


def literal(text: str) -> str:
    """Quote a text as an SQL string."""
    return "'" + text.replace("'", "''") + "'"


WIDE_SCHEMA = "kept"  # the SQL schema of the tables behind the views of wide tables


def store(table: Table) -> str:
    """Return where a table's rows are written, as SQL: the table itself, or the one behind its view."""
    return f"{WIDE_SCHEMA}.{quoted(table.name)}" if table.wide else quoted(table.name)


def stored_types(table: Table) -> dict[str, str]:
    """Return names and SQL types of the columns that ``store(table)`` can have."""
    return {c.name: c.kind.value + ("[]" if c.as_list else "") for c in table.columns}


def former(table: Table) -> dict[str, str]:
    """Return the former names of a table's columns that readers may still use, and today's."""
    return {old: new for old, new in FORMER.get(table.name, {}).items() if new in table.names}


def ddl(table: Table) -> str:
    """Return CREATE TABLE of a declaration; of a wide table its required columns, and its view.

    No PRIMARY KEY: on readings it costs four times the store and three times the load (measured);
    the landing and the checks keep keys single.
    """
    types = stored_types(table)
    first = [c for c in table.columns if c.required or not table.wide]
    columns = ", ".join(
        f"{quoted(c.name)} {types[c.name]}{' NOT NULL' if c.required else ''}" for c in first
    )
    columns += "".join(
        f", {quoted(old)} {types[new]} GENERATED ALWAYS AS ({quoted(new)}) VIRTUAL"
        for old, new in former(table).items()
    )
    create = f"CREATE TABLE IF NOT EXISTS {store(table)} ({columns})"
    if not table.wide:
        return create
    schema = f"CREATE SCHEMA IF NOT EXISTS {WIDE_SCHEMA}"
    return f"{schema}; {create}; {view(table, [c.name for c in first])}"


def view(table: Table, stored: Collection[str]) -> str:
    """Return CREATE VIEW of a wide table that has the columns ``stored`` behind it.

    Lists become an entry a row; an entry without the first list's value (depth) is none.
    """
    selected = ", ".join(f"{_selected(c, stored)} AS {quoted(c.name)}" for c in table.columns)
    rows = f"SELECT {selected} FROM {store(table)}"
    if table.list_columns:
        rows = f"SELECT * FROM ({rows}) WHERE {quoted(table.list_columns[0])} IS NOT NULL"
    return f"CREATE OR REPLACE VIEW {quoted(table.name)} AS {rows}"


def _selected(column: Column, stored: Collection[str]) -> str:
    """Return one column of a wide table's view as SQL: null if it never had a value."""
    if column.name not in stored:
        return f"NULL::{column.kind.value}"
    return f"unnest({quoted(column.name)})" if column.as_list else quoted(column.name)


def comments(table: Table) -> list[str]:
    """Return COMMENT ON statements: the row's meaning, and each column's meaning, unit and limits."""
    kind = "VIEW" if table.wide else "TABLE"
    row = literal("One row is " + table.row)
    statements = [f"COMMENT ON {kind} {quoted(table.name)} IS {row}"]
    if table.wide:
        lists = f", its {', '.join(table.list_columns)} as lists" if table.list_columns else ""
        behind = f"{table.name} as it is kept{lists}; columns that never had a value are left out"
        statements.append(f"COMMENT ON TABLE {store(table)} IS {literal(behind)}")
    statements += [
        f"COMMENT ON COLUMN {quoted(table.name)}.{quoted(c.name)} IS {literal(describe(c))}"
        for c in table.columns
    ]
    statements += [
        f"COMMENT ON COLUMN {quoted(table.name)}.{quoted(old)} IS "
        + literal(f"former name of {new}; it goes with the next version")
        for old, new in former(table).items()
    ]
    return statements


def describe(column: Column) -> str:
    """Return meaning, unit and limits of a column in one line."""
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


def fits(table: Table, frame: pl.DataFrame, *, whole: bool = True) -> bool:
    """Return whether rows are as declared: what ``check`` finds, in a hundredth of its time.

    If they are not, ``check`` names the faults; loading pandera for it takes most of a second. With
    ``whole`` false the frame has some of the columns, and keys may come twice, as for ``door``.
    """

    schema = polars_schema(table)
    if whole and frame.schema != schema:
        return False
    if any(frame.schema[name] != schema[name] for name in frame.columns):
        return False
    holds = [held for name in frame.columns for held in _holds(table[name])]
    told = frame.select(held.all().alias(str(place)) for place, held in enumerate(holds))
    single = not (whole and table.key) or frame.n_unique(subset=table.key) == frame.height
    return single and (not holds or all(told.row(0)))


def _holds(column: Column) -> list[pl.Expr]:
    """Return what holds for every value of a column; a null holds all but the first."""
    import polars as pl  # noqa: PLC0415 (as in polars_types)

    value, found = pl.col(column.name), []
    if column.required:
        found.append(value.is_not_null())
        if column.kind is Kind.NUMBER:
            found.append(value.is_not_nan())
    if column.low is not None:
        found.append(value >= column.low)
    if column.high is not None:
        found.append(value <= column.high)
    if column.one_of:
        found.append(value.is_in(list(column.one_of)))
    return found


@cache
def check(table: Table) -> pa.DataFrameSchema:
    """Return the pandera (polars) schema of a table: types, limits, allowed words, single keys."""
    import pandera.polars as pa  # noqa: PLC0415 (start-up time: two seconds, only writers need it)

    return pa.DataFrameSchema(
        {column.name: _pandera_column(column) for column in table.columns},
        unique=list(table.key) or None,
        strict=True,
        ordered=True,
        name=table.name,
    )


@cache
def door(table: Table, names: tuple[str, ...]) -> pa.DataFrameSchema:
    """Return the pandera schema of some of a table's columns: types and limits of what comes in."""
    import pandera.polars as pa  # noqa: PLC0415 (start-up time, as in check)

    return pa.DataFrameSchema(
        {name: _pandera_column(table[name]) for name in names}, name=table.name
    )


def _pandera_column(column: Column) -> pa.Column:
    """Return the pandera column: type, limits, allowed words, and whether it may be null."""
    import pandera.polars as pa  # noqa: PLC0415 (start-up time, as in check)

    checks = []
    if column.low is not None and column.high is not None:  # one check costs half of two
        checks.append(pa.Check.in_range(column.low, column.high))
    elif column.low is not None:
        checks.append(pa.Check.ge(column.low))
    elif column.high is not None:
        checks.append(pa.Check.le(column.high))
    if column.one_of:
        checks.append(pa.Check.isin(list(column.one_of)))
    return pa.Column(polars_types()[column.kind], checks=checks, nullable=not column.required)
